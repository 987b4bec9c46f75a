"""Signatures in the course of a person's days: dirt, first splices, tiredness, learning."""

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from arcdrift.analysis.common.grouping import group_index
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.analysis.people.prep_effects import PrepEffects
from arcdrift.analysis.people.signature_stats import poisson_interval, slope_by_days
from arcdrift.analysis.people.signatures import MIN_DAYS, Signature
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.intervals import CONFIDENCE_LEVEL
from arcdrift.settings import Prep

DIRTY_RATIO = 1.25
"""Least ratio of dirty splices to expected ones that is a signature."""
FIRST_LOSS, FIRST_ANGLE = 0.25, 0.15
"""Least relative excess of a day's first splices that is a signature."""
HOURLY = 0.03
"""Least relative rise an hour, beyond the crew's, that is a signature of tiredness."""
NEWCOMER_DAYS = 14
"""People who first appear this many days after the crew's first day are newcomers."""
LEARNED = 0.10
"""Least relative fall since the first day that is a signature of learning."""


def dirt(cells: pd.DataFrame, prep: Prep) -> list[Signature]:
    """Find people with more dirty splices than their machines explain, among good cleaves only.

    Notes
    -----
    Expected counts come from a multiplicative model of persons and of splicers with programs,
    fitted by alternating sums. Limits are exact Poisson limits (Garwood 1936) of counts divided
    by the overdispersion between days.
    """
    work = cells[(cells["technician"] != NOBODY) & (cells["good"] > 0)]
    if work.empty or work["dirty_good"].sum() < 5:
        return []
    technician_code, names = pd.factorize(work["technician"], sort=True)
    machine_code, _ = group_index(work["splicer"], work["program"])
    cleaved, dirty = work["good"].to_numpy(float), work["dirty_good"].to_numpy(float)
    factor = np.ones(len(names))
    rate = factor
    for _ in range(30):
        # adds two dirty splices at the crew's rate, so that no rate is zero
        crew = dirty.sum() / cleaved.sum()
        rate = (np.bincount(machine_code, dirty) + 2.0) / (
            np.bincount(machine_code, cleaved * factor[technician_code]) + 2.0 / crew
        )
        expected_dirty = np.bincount(technician_code, cleaved * rate[machine_code])
        factor = (np.bincount(technician_code, dirty) + 2.0) / (expected_dirty + 2.0)
    expected_in_cell = cleaved * rate[machine_code] * factor[technician_code]
    person_day, _ = group_index(technician_code, work["day"])
    of_days = [np.bincount(person_day, values) for values in (dirty, expected_in_cell)]
    overdispersion = max(float(((of_days[0] - of_days[1]) ** 2).sum() / of_days[1].sum()), 1.0)
    observed = np.bincount(technician_code, dirty) / overdispersion
    expected = np.bincount(technician_code, cleaved * rate[machine_code]) / overdispersion
    level = 1.0 - (1.0 - prep.sure) / len(names)
    lower_limit, _ = poisson_interval(observed, 2.0 * level - 1.0)
    lows, highs = poisson_interval(observed, CONFIDENCE_LEVEL)
    signatures = []
    for number, name in enumerate(names):
        if lower_limit[number] < DIRTY_RATIO * expected[number]:
            continue
        low, high = lows[number] / expected[number], highs[number] / expected[number]
        subset = work[technician_code == number]
        ratio = observed[number] / expected[number]
        signatures.append(
            Signature(
                "dirt", "technician", str(name), float(ratio), float(low), float(high),
                "times the dirty splices expected", int(subset["good"].sum()),
                int(subset["day"].nunique()), subset["first_at"].min(), subset["last_at"].max(),
                f"{ratio:.1f} times as many high losses with good cleaves as on the same splicers "
                "in other hands: cleaning, dust, stripping.",
            )
        )  # fmt: skip
    return signatures


def first_splices(cells: pd.DataFrame, prep: Prep) -> list[Signature]:
    """Find people whose first splices of a day are worse than later ones, beyond the crew's."""
    work = cells[cells["technician"] != NOBODY]
    mean = _mean_of_stream(work)
    rest = work["n"] - work["first_n"]
    loss = pd.DataFrame(
        {
            "value": (work["first_capped"] / work["first_n"]
                      - (work["capped"] - work["first_capped"]) / rest) / mean,
            "weight": 1.0 / (1.0 / work["first_n"] + 1.0 / rest),
        }
    )  # fmt: skip
    rest = work["angles"] - work["first_angles"]
    angle = pd.DataFrame(
        {
            "value": work["first_angle"] / work["first_angles"]
            - (work["angle"] - work["first_angle"]) / rest,
            "weight": 1.0 / (1.0 / work["first_angles"] + 1.0 / rest),
        }
    )
    return _compare_with_others(
        "first-splices", work, loss, angle, prep, (FIRST_LOSS, np.log1p(FIRST_ANGLE)),
        "first splices of a day against later ones",
        "The first splices of a day have {size:.0%} more {what} than the later ones, beyond what "
        "the crew has: warming up, cleaning at the start.",
    )  # fmt: skip


def tiring(cells: pd.DataFrame, prep: Prep) -> list[Signature]:
    """Find people whose loss or angle rises through their day, beyond the crew's."""
    work = cells[cells["technician"] != NOBODY]
    spread = work["hour_squares"] - work["hour"] ** 2 / work["n"]
    loss = pd.DataFrame(
        {
            "value": (work["hour_capped"] - work["hour"] * work["capped"] / work["n"])
            / spread / _mean_of_stream(work),
            "weight": spread,
        }
    )  # fmt: skip
    n = work["angles"]
    spread = work["hour_squares_of_angles"] - work["hour_of_angles"] ** 2 / n
    angle = pd.DataFrame(
        {
            "value": (work["hour_angle"] - work["hour_of_angles"] * work["angle"] / n) / spread,
            "weight": spread,
        }
    )
    return _compare_with_others(
        "tiring", work, loss, angle, prep, (HOURLY, HOURLY), "an hour",
        "{what_first} rises {size:.0%} an hour through the day, beyond the crew's: tiredness, "
        "light, heat.",
    )  # fmt: skip


def learning(cells: pd.DataFrame, effects: PrepEffects, prep: Prep) -> list[Signature]:
    """Find newcomers whose loss or angle falls with their days of work.

    Notes
    -----
    Slope of loss or angle, less the splicer's effect, on log2(days + 1), with standard errors
    that allow for correlation within days; the estimate is the fall from the first to the last day.
    """
    work = cells[cells["technician"] != NOBODY]
    person, worked = group_index(work["technician"])[0], _day_numbers(work["day"])
    first = np.full(int(person.max(initial=-1)) + 1, np.iinfo(np.int64).max)
    np.minimum.at(first, person, worked)
    crew_start = int(first.min(initial=np.iinfo(np.int64).max - NEWCOMER_DAYS))
    newcomers = int((first >= crew_start + NEWCOMER_DAYS).sum())
    level = 1.0 - (1.0 - prep.sure) / max(2 * newcomers, 1)  # two measures each
    signatures: dict[str, Signature] = {}
    for measure, noun in (("loss", "Loss"), ("angle", "Cleave angle")):
        if measure not in effects.fits:
            continue
        rows = effects.rows[measure]
        machine_effect = effects.fits[measure].of_rows("splicer", rows["splicer"])
        y, weight = (rows[name].to_numpy(dtype=np.float64) for name in ("y", "weight"))
        y = y - machine_effect
        day = _day_numbers(rows["day"])
        for name, own in rows.groupby("technician").indices.items():
            own_days = np.unique(day[own])
            start, days = own_days[0], len(own_days)
            if start < crew_start + NEWCOMER_DAYS or days < MIN_DAYS:
                continue
            experience = np.log2(day[own] - start + 1.0)
            slope, sd, degrees_of_freedom = slope_by_days(experience, y[own], weight[own], day[own])
            last_experience = float(experience.max())
            half_width = stdtrit(degrees_of_freedom, 0.975) * sd
            upper = slope + stdtrit(degrees_of_freedom, level) * sd
            fall = [-np.expm1((slope + sign * half_width) * last_experience) for sign in (0, 1, -1)]
            if not upper < 0 or fall[0] < LEARNED or str(name) in signatures:
                continue
            subset = rows.iloc[own]
            signatures[str(name)] = Signature(
                "learning", "technician", str(name), float(fall[0]), float(fall[1]),
                float(fall[2]), f"fall of {noun.lower()} since the first day",
                int(subset["n"].sum()), int(days),
                subset["first_at"].min(), subset["last_at"].max(),
                f"{noun} fell {fall[0]:.0%} over the first {days} days: still learning, so the "
                "figures against colleagues are those of a beginner.",
            )  # fmt: skip
    return list(signatures.values())


def _day_numbers(day: pd.Series) -> Ints:
    """Days since 1970."""
    return day.to_numpy(dtype="datetime64[D]").astype(np.int64)


def _mean_of_stream(work: pd.DataFrame) -> Floats:
    stream, _ = group_index(work["splicer"], work["program"])
    capped, n = (np.bincount(stream, work[name]) for name in ("capped", "n"))
    mean: Floats = np.divide(capped, n, out=np.full(len(n), np.nan), where=n > 0)
    return mean[stream]


def _person_means(
    value: Floats, weight: Floats, person: Ints, day: Ints
) -> tuple[Ints, Floats, Floats, Floats, Ints]:
    """Sum values by person, with the variance of each person's mean between days.

    Returns
    -------
    people : array of shape (people with values,)
        Their codes.
    weight, weighted_sum, variance, days : arrays of the same shape
        ``variance`` is that of the weighted mean; NaN for a single day.
    """
    usable = np.isfinite(value) & (weight > 0)
    weight, person, count = weight[usable], person[usable], day.max(initial=0) + 1
    pairs, person_day = np.unique(person * count + day[usable], return_inverse=True)
    owner = pairs // count
    weights = np.bincount(person_day, weight, len(pairs))
    sums = np.bincount(person_day, weight * value[usable], len(pairs))
    people, owner, days = np.unique(owner, return_inverse=True, return_counts=True)
    total, weighted_sum = np.bincount(owner, weights), np.bincount(owner, sums)
    squared_residuals = np.bincount(owner, (sums - weights * (weighted_sum / total)[owner]) ** 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = squared_residuals / total**2 * days / (days - 1)
    return people, total.astype(np.float64), weighted_sum.astype(np.float64), variance, days


def _compare_with_others(
    kind: str, work: pd.DataFrame, loss: pd.DataFrame, angle: pd.DataFrame, prep: Prep,
    thresholds: tuple[float, float], unit: str, words: str,
) -> list[Signature]:  # fmt: skip
    """Find people whose mean lies above everybody else's by more than a threshold."""
    signatures: dict[str, Signature] = {}
    person, names = pd.factorize(work["technician"], sort=True)
    day = pd.factorize(work["day"])[0]
    for values, threshold, noun, count in (
        (loss, thresholds[0], "loss", "n"), (angle, thresholds[1], "cleave angle", "angles"),
    ):  # fmt: skip
        value, weights = (values[name].to_numpy(dtype=float) for name in ("value", "weight"))
        people, weight, weighted_sum, variance, days = _person_means(value, weights, person, day)
        if len(people) < 3:
            continue
        level = 1.0 - (1.0 - prep.sure) / len(people)
        # each against everybody else
        squares = np.nan_to_num(variance) * weight**2
        rest = weight.sum() - weight
        size = weighted_sum / weight - (weighted_sum.sum() - weighted_sum) / rest
        sd = np.sqrt(variance + (squares.sum() - squares) / rest**2)
        lower_limit = size - stdtrit(np.maximum(days - 1, 1), level) * sd
        for index in np.flatnonzero((days >= MIN_DAYS) & ~(lower_limit < threshold)):
            name = str(names[people[index]])
            if name in signatures:
                continue
            half_width = stdtrit(days[index] - 1, 0.975) * sd[index]
            subset = work[person == people[index]]
            signatures[name] = Signature(
                kind, "technician", name, float(size[index]), float(size[index] - half_width),
                float(size[index] + half_width), f"{noun}, {unit}",
                int(subset[count].sum()), int(days[index]),
                subset["first_at"].min(), subset["last_at"].max(),
                words.format(size=size[index], what=noun, what_first=noun.capitalize()),
            )  # fmt: skip
    return list(signatures.values())
