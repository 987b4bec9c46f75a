"""Signatures that lie in how a person's days go: dirt, first splices, tiredness, learning."""

import numpy as np
import pandas as pd
from scipy.stats import t as student

from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.analysis.people.prep_effects import PrepEffects, measure_rows
from arcdrift.analysis.people.signature_stats import poisson_interval, slope_by_days
from arcdrift.analysis.people.signatures import MIN_DAYS, Signature
from arcdrift.arrays import Floats, Ints
from arcdrift.settings import Prep

DIRTY_RATIO = 1.25
FIRST_LOSS, FIRST_ANGLE = 0.25, 0.15
HOURLY = 0.03
"""Rise an hour, beyond the crew's, that looks like tiredness."""
NEWCOMER_DAYS = 14
"""Who first appears this long after the crew's first day is a newcomer."""
LEARNED = 0.10
"""Fall since the first days that shows learning."""


def dirt(cells: pd.DataFrame, prep: Prep) -> list[Signature]:
    """People with more dirty splices than their machines explain, among good cleaves only.

    Notes
    -----
    Expected counts from a multiplicative model of persons and of splicers with programs (fitted
    by alternating sums); exact Poisson limits (Garwood 1936), counts divided by how much more
    than Poisson the days vary.
    """
    work = cells[(cells["technician"] != NOBODY) & (cells["good"] > 0)]
    if work.empty or work["dirty_good"].sum() < 5:
        return []
    person, names = pd.factorize(work["technician"], sort=True)
    machine = np.asarray(work.groupby(["splicer", "program"]).ngroup())
    made, dirty = work["good"].to_numpy(float), work["dirty_good"].to_numpy(float)
    factor = np.ones(len(names))
    rate = factor
    for _ in range(30):
        # two splices and what the crew makes of them, so that no rate is zero
        crew = dirty.sum() / made.sum()
        rate = (np.bincount(machine, dirty) + 2.0) / (
            np.bincount(machine, made * factor[person]) + 2.0 / crew
        )
        wanted = np.bincount(person, made * rate[machine])
        factor = (np.bincount(person, dirty) + 2.0) / (wanted + 2.0)
    each = made * rate[machine] * factor[person]
    days = pd.DataFrame({"who": person, "day": work["day"], "o": dirty, "e": each})
    sums = days.groupby(["who", "day"])[["o", "e"]].sum()
    spread = max(float(((sums["o"] - sums["e"]) ** 2).sum() / sums["e"].sum()), 1.0)
    seen = np.bincount(person, dirty) / spread
    expected = np.bincount(person, made * rate[machine]) / spread
    sure = 1.0 - (1.0 - prep.sure) / len(names)
    found = []
    for number, name in enumerate(names):
        if poisson_interval(seen[number], 2.0 * sure - 1.0)[0] < DIRTY_RATIO * expected[number]:
            continue
        low, high = (end / expected[number] for end in poisson_interval(seen[number]))
        mine = work[person == number]
        ratio = seen[number] / expected[number]
        found.append(
            Signature(
                "dirt", "technician", str(name), float(ratio), float(low), float(high),
                "times the dirty splices expected", int(mine["good"].sum()),
                int(mine["day"].nunique()), mine["first_at"].min(), mine["last_at"].max(),
                f"{ratio:.1f} times as many high losses with good cleaves as on the same splicers "
                "in other hands: cleaning, dust, stripping.",
            )
        )  # fmt: skip
    return found


def first_splices(cells: pd.DataFrame, prep: Prep) -> list[Signature]:
    """People whose first splices of a day are worse than their later ones, beyond the crew's."""
    work = cells[cells["technician"] != NOBODY]
    mean = _recipe_mean(work)
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
    return _against_the_crew(
        "first-splices", work, loss, angle, prep, (FIRST_LOSS, np.log1p(FIRST_ANGLE)),
        "first splices of a day against later ones",
        "The first splices of a day have {size:.0%} more {what} than the later ones, beyond what "
        "the crew has: warming up, cleaning at the start.",
    )  # fmt: skip


def tiring(cells: pd.DataFrame, prep: Prep) -> list[Signature]:
    """People whose loss or angle rises through their day, beyond the crew's."""
    work = cells[cells["technician"] != NOBODY]
    spread = work["hour_squares"] - work["hour"] ** 2 / work["n"]
    loss = pd.DataFrame(
        {
            "value": (work["hour_capped"] - work["hour"] * work["capped"] / work["n"])
            / spread / _recipe_mean(work),
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
    return _against_the_crew(
        "tiring", work, loss, angle, prep, (HOURLY, HOURLY), "an hour",
        "{what_first} rises {size:.0%} an hour through the day, beyond the crew's: tiredness, "
        "light, heat.",
    )  # fmt: skip


def learning(cells: pd.DataFrame, effects: PrepEffects, prep: Prep) -> list[Signature]:
    """Newcomers whose loss or angle falls with their days, whichever splicer they are given.

    Notes
    -----
    Slope on log2(days + 1) of loss or angle, less the splicer's effect, with standard errors by
    days; the estimate is the fall from the first day to the last.
    """
    work = cells[cells["technician"] != NOBODY]
    began = work["day"].min()
    first = work.groupby("technician")["day"].min()
    newcomers = int((first >= began + pd.Timedelta(days=NEWCOMER_DAYS)).sum())
    level = 1.0 - (1.0 - prep.sure) / max(2 * newcomers, 1)  # two measures each
    found: dict[str, Signature] = {}
    for measure, what in (("loss", "Loss"), ("angle", "Cleave angle")):
        if measure not in effects.fits:
            continue
        rows = measure_rows(work, measure)
        places = effects.fits[measure].places("splicer")
        machine = effects.fits[measure].effect[[places[str(name)] for name in rows["splicer"]]]
        rows = rows.assign(y=rows["y"] - machine)
        for name, mine in rows.groupby("technician"):
            start = mine["day"].min()
            days = mine["day"].nunique()
            if start < began + pd.Timedelta(days=NEWCOMER_DAYS) or days < MIN_DAYS:
                continue
            experience = np.log2((mine["day"] - start).dt.days + 1.0)
            slope, sd, freedom = slope_by_days(experience, mine["y"], mine["weight"], mine["day"])
            reach = float(experience.max())
            half = student.ppf(0.975, freedom) * sd
            upper = slope + student.ppf(level, freedom) * sd
            fall = [-np.expm1((slope + sign * half) * reach) for sign in (0, 1, -1)]
            if not upper < 0 or fall[0] < LEARNED or str(name) in found:
                continue
            found[str(name)] = Signature(
                "learning", "technician", str(name), float(fall[0]), float(fall[1]),
                float(fall[2]), f"fall of {what.lower()} since the first day",
                int(mine["n"].sum()), int(days), mine["first_at"].min(), mine["last_at"].max(),
                f"{what} fell {fall[0]:.0%} over the first {days} days: still learning, so the "
                "figures against the crew are those of a beginner.",
            )  # fmt: skip
    return list(found.values())


def _recipe_mean(work: pd.DataFrame) -> pd.Series:
    sums = work.groupby(["splicer", "program"])[["capped", "n"]].transform("sum")
    mean: pd.Series = sums["capped"] / sums["n"].where(sums["n"] > 0)
    return mean


def _means(
    value: Floats, weight: Floats, person: Ints, day: Ints
) -> tuple[Ints, Floats, Floats, Floats, Ints]:
    """Who has values; total weight, weighted sum, variance by days, and how many days."""
    known = np.isfinite(value) & (weight > 0)
    weight, person, count = weight[known], person[known], day.max(initial=0) + 1
    pairs, place = np.unique(person * count + day[known], return_inverse=True)
    owner = pairs // count
    weights = np.bincount(place, weight, len(pairs))
    sums = np.bincount(place, weight * value[known], len(pairs))
    who, owner, days = np.unique(owner, return_inverse=True, return_counts=True)
    total, whole = np.bincount(owner, weights), np.bincount(owner, sums)
    left = np.bincount(owner, (sums - weights * (whole / total)[owner]) ** 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = left / total**2 * days / (days - 1)
    return who, total.astype(np.float64), whole.astype(np.float64), variance, days


def _against_the_crew(
    kind: str, work: pd.DataFrame, loss: pd.DataFrame, angle: pd.DataFrame, prep: Prep,
    thresholds: tuple[float, float], unit: str, words: str,
) -> list[Signature]:  # fmt: skip
    """Signature where a person's mean lies above everybody else's by more than a threshold."""
    found: dict[str, Signature] = {}
    person, names = pd.factorize(work["technician"], sort=True)
    day = pd.factorize(work["day"])[0]
    for values, threshold, what, count in (
        (loss, thresholds[0], "loss", "n"), (angle, thresholds[1], "cleave angle", "angles"),
    ):  # fmt: skip
        value, weights = (values[name].to_numpy(dtype=float) for name in ("value", "weight"))
        who, weight, wv, variance, days = _means(value, weights, person, day)
        if len(who) < 3:
            continue
        level = 1.0 - (1.0 - prep.sure) / len(who)
        # each against everybody else
        squares = np.nan_to_num(variance) * weight**2
        rest = weight.sum() - weight
        size = wv / weight - (wv.sum() - wv) / rest
        sd = np.sqrt(variance + (squares.sum() - squares) / rest**2)
        least = size - student.ppf(level, np.maximum(days - 1, 1)) * sd
        for at in np.flatnonzero((days >= MIN_DAYS) & ~(least < threshold)):
            name = str(names[who[at]])
            if name in found:
                continue
            half = student.ppf(0.975, days[at] - 1) * sd[at]
            own = work[person == who[at]]
            found[name] = Signature(
                kind, "technician", name, float(size[at]), float(size[at] - half),
                float(size[at] + half), f"{what}, {unit}",
                int(own[count].sum()), int(days[at]), own["first_at"].min(), own["last_at"].max(),
                words.format(size=size[at], what=what, what_first=what.capitalize()),
            )  # fmt: skip
    return list(found.values())
