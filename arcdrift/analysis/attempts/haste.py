"""Whether haste costs anything: the faster and the slower third of one person's own stretches.

Each person is compared with themself. People are never compared by their speed: it depends on what
they are given to splice, and a figure of speed beside a name makes people hurry.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import as_text, group_index, in_turn
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.stratified_contrast import Contrasts, Kind, StratifiedCells

MEASURES: dict[str, tuple[str, str, Kind]] = {
    "again": ("again", "places", "odds"),
    "loss": ("capped", "n", "ratio"),
    "angle": ("angle", "angles", "difference"),
}
"""Sum, count and kind of contrast of each measure: places not right first time, loss, angle."""
FEWEST_STRETCHES = 30
"""Measured stretches of a person from which thirds are compared."""
HOURS = (1.0, 4.0)
"""Hours into a person's day that divide it: its beginning, its middle and its end."""
COLUMNS = [
    "technician", "measure", "fast", "slow", "ratio", "low", "high", "fast_n", "slow_n", "days",
    "fast_min", "slow_min",
]  # fmt: skip


def haste(stretches: pd.DataFrame) -> pd.DataFrame:
    """Compare the faster with the slower third of each person's stretches.

    Parameters
    ----------
    stretches : DataFrame
        From `arcdrift.analysis.attempts.stretches.work_stretches`, every splicer.

    Returns
    -------
    DataFrame
        `COLUMNS`; a row for each person and measure: ``again`` (share of places not right first
        time), ``loss`` (dB) and ``angle`` (degrees, geometric mean). ``fast`` and ``slow`` are the
        values of both thirds, ``ratio`` with its 95 % interval is fast to slow in the same work
        (odds for ``again``); ``fast_min`` and ``slow_min`` are the typical minutes between places.
        NaN where it cannot be told.

    Notes
    -----
    A stretch's pace is its mean log gap less the person's own mean on that splicer and program, so
    that easy programs are no haste. Thirds are compared within splicer, program, month and part of
    the day (`HOURS`), since blades wear over months and people tire over a day; the interval is
    that of whole days (`arcdrift.charts.stratified_contrast`).
    """
    if stretches.empty:
        return pd.DataFrame(columns=COLUMNS)
    person, first = group_index(stretches["technician"])
    above, stretch, minutes, owner = pace(stretches, person)
    enough = np.bincount(owner, np.isfinite(above), len(first)) >= FEWEST_STRETCHES
    known = np.isfinite(above) & enough[owner]
    if not known.any():
        return pd.DataFrame(columns=COLUMNS)
    low, high = _quantiles(owner[known], above[known], len(first), (1 / 3, 2 / 3))
    fast, slow = known & (above <= low[owner]), known & (above >= high[owner])
    used = np.flatnonzero((fast | slow)[stretch])
    # people without figures are left out of the numbers
    number = np.cumsum(enough) - 1
    rows, is_fast, own = stretches.iloc[used], fast[stretch][used], number[person[used]]
    cells = StratifiedCells(is_fast, _strata(rows), group_index(rows["day"])[0], own)
    typical = {
        f"{name}_min": _quantiles(owner[chosen], minutes[chosen], len(first), (0.5,))[0][enough]
        for name, chosen in (("fast", fast), ("slow", slow))
    }
    names = as_text(stretches["technician"].iloc[first[enough]]).to_numpy()
    again = rows["places"].to_numpy(np.float64) - rows["right"].to_numpy(np.float64)
    tables = []
    for measure, (total, count, kind) in MEASURES.items():
        sums = again if total == "again" else rows[total].to_numpy(dtype=np.float64)
        n = rows[count].to_numpy(dtype=np.float64)
        contrasts = cells.contrasts(sums, n, kind)
        figures = _figures(measure, contrasts, own, is_fast, sums, n)
        tables.append(pd.DataFrame({"technician": names, "measure": measure, **figures, **typical}))
    return in_turn(tables)[COLUMNS]


def pace(stretches: pd.DataFrame, person: Ints) -> tuple[Floats, Ints, Floats, Ints]:
    """Pace of people's stretches.

    Parameters
    ----------
    person : array of int, shape (rows,)
        Number of each row's person.

    Returns
    -------
    pace : array, shape (stretches,)
        Mean log gap above the person's own mean in that work; NaN without a measured gap.
    stretch : array of int, shape (rows,)
        Stretch of each row.
    minutes : array, shape (stretches,)
        Typical (geometric mean) minutes between places; NaN without a measured gap.
    owner : array of int, shape (stretches,)
        Person of each stretch.
    """
    gaps, log_gap = (stretches[name].to_numpy(dtype=np.float64) for name in ("gaps", "log_gap"))
    work, _ = group_index(person, stretches["splicer"], stretches["program"])
    # in the order of the rows, which is much faster
    keys = (stretches[name] for name in ("splicer", "technician", "day", "stretch"))
    stretch, first = group_index(*keys)
    with np.errstate(invalid="ignore", divide="ignore"):
        usual = np.bincount(work, log_gap) / np.bincount(work, gaps)
        count = np.bincount(stretch, gaps)
        above = np.bincount(stretch, np.where(gaps > 0, log_gap - gaps * usual[work], 0.0)) / count
        minutes = np.exp(np.bincount(stretch, log_gap) / count)
    return above, stretch, minutes, person[first]


def _quantiles(owner: Ints, values: Floats, owners: int, shares: Sequence[float]) -> list[Floats]:
    """Quantiles of each owner's values, one array a share; NaN for owners without values."""
    by_owner = pd.Series(values).groupby(owner)
    found = (by_owner.quantile(share).reindex(range(owners)) for share in shares)
    return [np.asarray(each, dtype=np.float64) for each in found]


def _strata(rows: pd.DataFrame) -> Ints:
    """Number of each row's person, splicer, program, month and part of the day."""
    count = np.maximum(rows["places"].to_numpy(dtype=np.float64), 1.0)
    part = np.searchsorted(HOURS, rows["hour"].to_numpy(dtype=np.float64) / count)
    month = rows["day"].to_numpy(dtype="datetime64[M]").astype(np.int64)
    return group_index(rows["technician"], rows["splicer"], rows["program"], month, part)[0]


def _figures(
    measure: str, contrasts: Contrasts, owner: Ints, is_fast: Bools, sums: Floats, n: Floats
) -> dict[str, object]:
    """Columns of one measure, a value for each person."""
    owners = len(contrasts.estimate)
    ends = np.array([contrasts.estimate, contrasts.low, contrasts.high])
    both = [
        np.bincount(owner[arm], sums[arm], owners)
        / np.maximum(np.bincount(owner[arm], n[arm], owners), 1.0)
        for arm in (is_fast, ~is_fast)
    ]
    if measure == "angle":
        ends = np.exp(ends)
        both = [np.exp(value) for value in both]
    return {
        "fast": both[0], "slow": both[1], "ratio": ends[0], "low": ends[1], "high": ends[2],
        "fast_n": contrasts.counts[:, 1].astype(np.int64),
        "slow_n": contrasts.counts[:, 0].astype(np.int64), "days": contrasts.clusters,
    }  # fmt: skip
