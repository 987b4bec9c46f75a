"""Whether haste costs anything: the faster and the slower third of one person's own stretches.

Each person is compared with themself. People are never compared by their speed: it depends on what
they are given to splice, and a figure of speed beside a name makes people hurry.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import group_index
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.stratified_contrast import Contrast, Kind, stratified_contrast

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
    rows = []
    owner, first = group_index(stretches["technician"])
    for number, at in enumerate(first):
        own = stretches[owner == number].reset_index(drop=True)
        rows += [{"technician": str(stretches["technician"].iloc[at])} | row for row in _own(own)]
    return pd.DataFrame(rows, columns=COLUMNS)


def pace(own: pd.DataFrame) -> tuple[Floats, Ints, Floats]:
    """Pace of one person's stretches.

    Returns
    -------
    pace : array, shape (stretches,)
        Mean log gap above the person's own mean in that work; NaN without a measured gap.
    stretch : array of int, shape (rows,)
        Stretch of each row.
    minutes : array, shape (stretches,)
        Typical (geometric mean) minutes between places; NaN without a measured gap.
    """
    gaps, log_gap = (own[name].to_numpy(dtype=np.float64) for name in ("gaps", "log_gap"))
    work, _ = group_index(own["splicer"], own["program"])
    stretch, _ = group_index(own["splicer"], own["day"], own["stretch"])
    with np.errstate(invalid="ignore", divide="ignore"):
        usual = np.bincount(work, log_gap) / np.bincount(work, gaps)
        count = np.bincount(stretch, gaps)
        above = np.bincount(stretch, np.where(gaps > 0, log_gap - gaps * usual[work], 0.0)) / count
        minutes = np.exp(np.bincount(stretch, log_gap) / count)
    return above, stretch, minutes


def _own(own: pd.DataFrame) -> list[dict[str, object]]:
    """Rows of one person."""
    above, stretch, minutes = pace(own)
    known = np.isfinite(above)
    if known.sum() < FEWEST_STRETCHES:
        return []
    low, high = np.quantile(above[known], [1 / 3, 2 / 3])
    fast, slow = known & (above <= low), known & (above >= high)
    used = (fast | slow)[stretch]
    rows = own[used]
    stratum = _strata(rows)
    day, _ = group_index(rows["day"])
    is_fast = fast[stretch][used]
    typical = {
        "fast_min": float(np.median(minutes[fast])), "slow_min": float(np.median(minutes[slow])),
    }  # fmt: skip
    table = rows.assign(again=rows["places"] - rows["right"])
    found = []
    for measure, (total, count, kind) in MEASURES.items():
        sums, n = (table[name].to_numpy(dtype=np.float64) for name in (total, count))
        contrast = stratified_contrast(is_fast, sums, n, stratum, day, kind)
        found.append(_row(measure, contrast, is_fast, sums, n) | typical)
    return found


def _strata(rows: pd.DataFrame) -> Ints:
    """Number of each row's splicer, program, month and part of the day."""
    count = np.maximum(rows["places"].to_numpy(dtype=np.float64), 1.0)
    part = np.searchsorted(HOURS, rows["hour"].to_numpy(dtype=np.float64) / count)
    month = rows["day"].to_numpy(dtype="datetime64[M]").astype(np.int64)
    return group_index(rows["splicer"], rows["program"], month, part)[0]


def _row(
    measure: str, contrast: Contrast, is_fast: Bools, sums: Floats, n: Floats
) -> dict[str, object]:
    ends = np.array([contrast.estimate, contrast.low, contrast.high])
    if measure == "angle":
        ends = np.exp(ends)
    both = [float(sums[arm].sum() / max(n[arm].sum(), 1.0)) for arm in (is_fast, ~is_fast)]
    fast, slow = np.exp(both) if measure == "angle" else both
    return {
        "measure": measure, "fast": float(fast), "slow": float(slow), "ratio": float(ends[0]),
        "low": float(ends[1]), "high": float(ends[2]), "fast_n": int(contrast.counts[1]),
        "slow_n": int(contrast.counts[0]), "days": contrast.clusters,
    }  # fmt: skip
