"""Effects of people, splicers and cleavers on five measures, estimated apart from each other.

Every technician works on several splicers and every splicer with several technicians, so a
model with crossed effects can separate them. Where shared work does not connect people they
cannot be compared, and the result says so.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from arcdrift.analysis.common.grouping import (
    count_distinct,
    group_index,
    group_sums,
    text_to_category,
)
from arcdrift.analysis.loss.day_level import ratio_of, relative_level
from arcdrift.analysis.loss.proportion_charts import COUNTED, Share
from arcdrift.analysis.loss.technician_days import NO_CLEAVER, NOBODY
from arcdrift.analysis.people.comparability import connected_sets, weakly_linked_parts
from arcdrift.analysis.people.crossed_effects.crossed_random_effects import (
    LEAST_VARIANCE,
    CrossedEffects,
    fit_crossed_effects,
    full_rank,
)
from arcdrift.analysis.people.crossed_effects.variance_components import STINT
from arcdrift.analysis.people.median_colleague import differences_from_median
from arcdrift.arrays import Floats
from arcdrift.charts.intervals import Z95
from arcdrift.settings import Prep
from arcdrift.wording import count_text

MIN_DAYS = 5
"""Days of work needed for a figure."""
LEAST_SHARE_BELOW_CAP = 0.5
"""Lower limit of the share of the capped losses that lies below the cap."""
SHARE_WEEKS = 4
"""Errors and places not right first time are rare, so they are counted over four weeks rather than
by the day."""
MEASURES = {
    "loss": "loss",
    "angle": "cleave angle",
    "uneven": "right cleave angle against left",
    "first_time": "odds that a place is not right first time",
    "errors": "odds of an error",
}
SHARES = ("first_time", "errors")
"""Those of `arcdrift.analysis.loss.proportion_charts.COUNTED` that are fitted, as odds."""
ALONE = {
    "technician": "cannot be separated: shared no splicer with anybody",
    "splicer": "cannot be separated: nobody used it and another one",
    "cleaver": "cannot be separated: nobody used it and another one",
}
"""Why one that no shared work connects with its like has no figure."""
NO_DIFFERENCE = "no difference found"
"""Note where the measure does not vary within a grouping by more than chance."""
WORK_COLUMNS = [
    "technician", "splicer", "cleaver", "program", "fibers", "site", "day", "made", "errors",
    "places", "again", "n", "capped", "below", "squares", "angles", "angle", "angle_squares",
    "uneven", "uneven_squares", "density_n", "density", "vapor", "cleaves", "first_at", "last_at",
]  # fmt: skip
"""Columns of technician days that are needed here; ``cleaves`` where it is known."""
EFFECT_COLUMNS = [
    "who", "name", "measure", "days", "splices", "set", "effect", "low", "high", "sure", "note",
]  # fmt: skip


@dataclass(frozen=True)
class PrepEffects:
    """Effects of people and machines.

    Attributes
    ----------
    effects : DataFrame
        `EFFECT_COLUMNS`: who (``technician``, ``splicer`` or ``cleaver``), name, measure (a key
        of `MEASURES`), days, splices, set (who is comparable with whom), effect, low, high
        (relative difference from the median of the others in the set, shrunken, with a 95 %
        interval), sure
        (posterior probability that it lies above the margin); NaN with a note where there is no
        figure.
    fits : dict of CrossedEffects
        By measure.
    rows : dict of DataFrame
        By measure: the rows fitted (`measure_rows`).
    sets : int
        Number of sets of people and machines that no shared work connects; 1 is best.
    told_apart : tuple of str
        Groupings in the model.
    not_told_apart : tuple of str
        Sentences on groupings that cannot be separated.
    level : float
        Confidence level of the intervals.
    """

    effects: pd.DataFrame
    fits: dict[str, CrossedEffects]
    rows: dict[str, pd.DataFrame]
    sets: int
    told_apart: tuple[str, ...]
    not_told_apart: tuple[str, ...]
    level: float = 0.95

    def effects_of(self, grouping: str, measure: str) -> pd.DataFrame:
        """Return the effects of one grouping on one measure, in order of name."""
        rows = self.effects
        return rows[(rows["who"] == grouping) & (rows["measure"] == measure)].reset_index(drop=True)


def prep_effects(
    cells: pd.DataFrame, prep: Prep | None = None, measures: Iterable[str] = tuple(MEASURES)
) -> PrepEffects | str:
    """Estimate crossed effects on loss, cleave angle, unevenness, places not right and errors.

    Parameters
    ----------
    cells : DataFrame
        From `arcdrift.analysis.loss.technician_days.aggregate_technician_days`, all splicers
        together; a column ``cleaves`` (on the blade position) is adjusted for where it is known.
    prep : Prep, optional
        Settings; the margin is used here.
    measures : iterable of str
        Keys of `MEASURES` to fit.

    Returns
    -------
    PrepEffects, or a sentence that says why there are none.

    Notes
    -----
    Loss: y = 3 (r^(1/3) - 1) of each cell's capped mean, r relative to that of its program and
    fibers, divided by the share of the capped sum that lies below the cap: a factor f on all
    losses multiplies the capped mean by f to the power of that share only (the derivative of
    E min(f X, c) for f at 1 is E[X; X < c]). Angle: mean log of both sides. Unevenness: log of
    right over left. Shares: log odds.
    Fixed: program with fibers, site, air density and vapor pressure, cleaves on the blade (angle).
    Random and crossed: technician, splicer, cleaver; for loss and angle a week of one person on
    one splicer within them (days of one week share work, fiber and blade). Rows are weighted by
    1/(between + within/n), both estimated by moments.
    """
    prep = prep or Prep()
    work = work_of_people(cells)
    groupings, inseparable = _groupings(work)
    people, machines = work["technician"].nunique(), work["splicer"].nunique()
    days = len(group_index(work["technician"], work["splicer"], work["day"])[1])
    if people < 3 or machines < 2 or days < 10 * (people + machines):
        return (
            f"{count_text(people, 'technician')} on {count_text(machines, 'splicer')} over "
            f"{count_text(days, 'technician-day')} are too few to tell hands from machines."
        )
    sets = connected_sets(work[list(groupings)])
    parts = weakly_linked_parts(work[["technician", "splicer"]], sets)
    fits: dict[str, CrossedEffects] = {}
    fitted: dict[str, pd.DataFrame] = {}
    tables, days_of = [], {name: _days_of_work(work, name) for name in groupings}
    for measure in measures:
        rows = measure_rows(work, measure)
        if rows["technician"].nunique() < 3 or len(rows) < 10 * (people + machines) / SHARE_WEEKS:
            continue
        fits[measure], fitted[measure] = _fit(rows, measure, groupings, parts), rows
        tables += [
            _table(fits[measure], rows, days_of[name], measure, name, sets, prep.margin)
            for name in groupings
        ]
    count = len(set(sets.values()))
    return PrepEffects(
        effects=pd.DataFrame(
            {name: np.concatenate([table[name] for table in tables]) for name in EFFECT_COLUMNS}
        ),
        fits=fits,
        rows=fitted,
        sets=count,
        told_apart=groupings,
        not_told_apart=tuple(inseparable),
    )


def _groupings(work: pd.DataFrame) -> tuple[tuple[str, ...], list[str]]:
    """Return the groupings that can be separated, and sentences on those that cannot.

    The effect of a cleaver that never leaves its splicer cannot be separated from the splicer's.
    """
    groupings, inseparable = ["technician", "splicer"], []
    logged = work[work["cleaver"] != NO_CLEAVER]
    if len(logged):
        pairs = logged[["splicer", "cleaver"]].drop_duplicates()
        if pairs["splicer"].is_unique and pairs["cleaver"].is_unique:
            inseparable.append(
                "Each cleaver was used with one splicer only: a splicer's figure is that of both."
            )
        else:
            groupings.append("cleaver")
    else:
        inseparable.append("No cleaver is logged: a splicer's figure is that of its cleavers too.")
    return tuple(groupings), inseparable


def work_of_people(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells with a splice and a technician: `WORK_COLUMNS`, with ``recipe`` and ``week``.

    ``recipe`` is program and fibers in one text; texts are categories.
    """
    made = (cells["technician"] != NOBODY) & (cells["made"] > 0)
    columns = [name for name in WORK_COLUMNS if name in cells.columns]
    work = text_to_category(cells.loc[made, columns]).reset_index(drop=True)
    recipe, first = group_index(work["program"], work["fibers"])
    names = [
        f"{program} | {fibers}"
        for program, fibers in zip(
            work["program"].array[first], work["fibers"].array[first], strict=True
        )
    ]
    return work.assign(
        recipe=pd.Categorical(names).take(recipe),
        week=work["day"].to_numpy(dtype="datetime64[D]").astype(np.int64) // 7,
    )


def measure_rows(work: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Return the rows of the model of one measure: ``y``, ``weight`` and their covariates.

    Parameters
    ----------
    work : DataFrame
        From `work_of_people`.
    """
    if measure in SHARES:
        return _share_rows(work, COUNTED[measure])
    count = "n" if measure == "loss" else "angles"
    rows = work[work[count] > 0]
    n = rows[count].to_numpy(dtype=np.float64)
    if measure == "loss":
        recipe = rows["recipe"].cat.codes.to_numpy()
        all_n, all_capped, all_below = (
            np.bincount(recipe, rows[name])[recipe] for name in ("n", "capped", "below")
        )
        mean = np.maximum(all_capped / all_n, 1e-4)
        ratio = rows["capped"].to_numpy(dtype=np.float64) / n / mean
        # doubling every loss changes only the part of the sum that lies below the cap
        share_below_cap = np.maximum(all_below / all_capped, LEAST_SHARE_BELOW_CAP)
        y = relative_level(ratio) / share_below_cap
        squares = rows["squares"].to_numpy(dtype=np.float64) / mean**2
        scatter = np.maximum(squares - n * ratio**2, 0.0) / share_below_cap**2
    else:
        y = rows[measure].to_numpy(dtype=np.float64) / n
        scatter = np.maximum(rows[f"{measure}_squares"].to_numpy(dtype=np.float64) - n * y**2, 0.0)
    within = scatter.sum() / max(float((n - 1).sum()), 1.0)
    between = _between(rows, y, within / n)
    return rows.assign(y=y, n=n, weight=1.0 / (between + within / n + 1e-9))


def _share_rows(work: pd.DataFrame, share: Share) -> pd.DataFrame:
    """Rows of the model of a share, one for each period of `SHARE_WEEKS`."""
    rows = work[work[share.of] > 0]
    rows = rows.assign(period=rows["week"] // SHARE_WEEKS)
    keys = ["technician", "splicer", "cleaver", "recipe", "site", "period"]
    sums = [share.of, share.bad, "density_n", "density", "vapor"]
    group, first = group_index(*(rows[key] for key in keys))
    rows = rows.iloc[first][keys].reset_index(drop=True).join(group_sums(group, rows[sums]))
    of = rows[share.of]
    return rows.assign(y=rows[share.bad] / of, weight=of, n=of)


def _between(rows: pd.DataFrame, y: Floats, error: Floats) -> float:
    """Variance between days of one person on one splicer, less that of days of few splices.

    Parameters
    ----------
    error : ndarray
        Variance of each row's mean that comes from its number of splices.
    """
    group, _ = group_index(rows["technician"], rows["splicer"], rows["recipe"])
    count = np.bincount(group)
    size = count[group].astype(np.float64)
    residual = y - (np.bincount(group, y) / count)[group]
    several = size > 1
    if not several.any():
        return 0.01
    spread = (residual**2 * size / np.maximum(size - 1, 1.0) - error)[several]
    return max(float(spread.mean()), 1e-4)


def _fit(
    rows: pd.DataFrame, measure: str, groupings: tuple[str, ...], parts: dict[tuple[str, str], int]
) -> CrossedEffects:
    groups = rows[list(groupings)]
    if measure in ("loss", "angle"):
        stint, _ = group_index(rows["technician"], rows["splicer"], rows["week"])
        groups = groups.assign(**{STINT: stint})
    return fit_crossed_effects(
        rows["y"].to_numpy(dtype=np.float64),
        rows["weight"].to_numpy(dtype=np.float64),
        _fixed(rows, measure),
        groups,
        likelihood="binomial_logit" if measure in SHARES else "gaussian",
        parts=parts,
    )


def _fixed(rows: pd.DataFrame, measure: str) -> Floats:
    columns = [np.ones(len(rows))]
    for name in ("recipe", "site"):
        code, levels = pd.factorize(rows[name], sort=True)
        columns += [(code == level).astype(np.float64) for level in range(1, len(levels))]
    aired = rows["density_n"].to_numpy(dtype=np.float64)
    for name in ("density", "vapor"):
        with np.errstate(invalid="ignore", divide="ignore"):
            columns += _known(rows[name].to_numpy(dtype=np.float64) / aired)
    if measure == "angle" and "cleaves" in rows.columns:
        columns += _known(rows["cleaves"].to_numpy(dtype=np.float64))
    return full_rank(np.column_stack(columns))


def _known(value: Floats) -> list[Floats]:
    """Return a covariate in standard units, and an indicator of missing values where there are any.

    Missing values are set to the mean; a covariate that does not vary is left out.
    """
    known = np.isfinite(value)
    if known.sum() < 2 or value[known].std() == 0:
        return []
    centered = np.where(known, value - value[known].mean(), 0.0) / value[known].std()
    return [centered] if known.all() else [centered, (~known).astype(np.float64)]


def person_levels(effects: PrepEffects) -> pd.DataFrame:
    """Level of each technician's days, after taking out the effects of the machines used.

    Returns
    -------
    DataFrame
        ``technician``, ``day``, ``loss_level``, ``angle_level``: on a log scale, against the
        median person's mean (NaN without figures).
    """
    keys, tables = ["technician", "day"], []
    for measure in ("loss", "angle"):
        if measure not in effects.fits:
            continue
        rows, fit = effects.rows[measure], effects.fits[measure]
        residual = rows["y"].to_numpy(dtype=np.float64)
        for grouping in effects.told_apart[1:]:
            residual = residual - fit.of_rows(grouping, rows[grouping])
        weight = rows["weight"].to_numpy(dtype=np.float64)
        person, names = pd.factorize(rows["technician"])
        sizes = np.bincount(person, weight, minlength=len(names))
        of_people = np.bincount(person, weight * residual, minlength=len(names)) / sizes
        level = residual - np.median(of_people)
        day, first = group_index(*(rows[key] for key in keys))
        mean = np.bincount(day, weight * level) / np.bincount(day, weight)
        tables.append(rows.iloc[first][keys].assign(**{f"{measure}_level": mean}))
    levels = tables[0] if tables else pd.DataFrame(columns=keys)
    for table in tables[1:]:
        levels = levels.merge(table, on=keys, how="outer")
    missing = {name: np.nan for name in ("loss_level", "angle_level") if name not in levels}
    return levels.assign(**missing)


def relative(effect: Floats, measure: str) -> Floats:
    """Convert an effect on a measure's scale to a relative difference: +0.1 is 10 % more."""
    return (ratio_of(effect) if measure == "loss" else np.exp(effect)) - 1.0


def scaled(change: float, measure: str) -> float:
    """Inverse of `relative`."""
    if measure == "loss":
        return float(relative_level(np.array([1.0 + change]))[0])
    return float(np.log1p(change))


def _days_of_work(work: pd.DataFrame, grouping: str) -> dict[str, int]:
    """Days of work of each person or machine, by name."""
    code, names = pd.factorize(work[grouping], sort=True)
    days = count_distinct(code, work["day"])
    return dict(zip(map(str, names), days.tolist(), strict=True))


def _table(
    fit: CrossedEffects,
    rows: pd.DataFrame,
    days_of: dict[str, int],
    measure: str,
    grouping: str,
    sets: dict[tuple[str, str], int],
    margin: float,
) -> dict[str, Any]:
    """Return `EFFECT_COLUMNS` of one grouping on one measure."""
    position = fit.positions(grouping)
    names = [name for name in position if not (grouping == "cleaver" and name == NO_CLEAVER)]
    code, known = pd.factorize(rows[grouping], sort=True)
    splices = dict(zip(map(str, known), np.bincount(code, rows["n"]), strict=True))
    days = np.array([days_of[name] for name in names])
    # each against the median of its peers in the same connected set
    part = np.array([sets[grouping, name] for name in names], dtype=np.int64)
    own_position = [position[name] for name in names]
    # with a variance estimated as zero, every interval would be empty
    varies = fit.variances[grouping] > LEAST_VARIANCE
    effect, sd = np.zeros((2, len(names)))
    if varies:
        effect, sd = differences_from_median(
            fit.effect[own_position], fit.covariance[np.ix_(own_position, own_position)], part
        )
    half = Z95 * sd
    figures = {
        "effect": relative(effect, measure),
        "low": relative(effect - half, measure),
        "high": relative(effect + half, measure),
        "sure": ndtr((effect - scaled(margin, measure)) / np.maximum(sd, 1e-12)),
    }
    few = days < MIN_DAYS
    # alone in its set, it differs from itself by nothing, exactly
    alone = np.bincount(part, minlength=1)[part] == 1 if len(part) else part > 0
    even = np.full(len(names), not varies) & ~few & ~alone
    for figure in figures.values():
        figure[few | alone | even] = np.nan
    figures["sure"][even] = 0.0
    note = np.full(len(names), None, dtype=object)
    note[even], note[alone] = NO_DIFFERENCE, ALONE[grouping]
    note[few] = [f"only {count} days of work" for count in days[few]]
    return {
        "who": np.full(len(names), grouping, dtype=object),
        "name": np.array(names, dtype=object),
        "measure": np.full(len(names), measure, dtype=object),
        "days": days, "splices": np.array([splices[name] for name in names]), "set": part,
        **figures, "note": note,
    }  # fmt: skip
