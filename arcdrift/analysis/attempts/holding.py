"""Whether it matters how the fiber was held: clamp against holder in the same hands."""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import group_index
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Bools, Floats
from arcdrift.charts.stratified_contrast import Contrast, Kind, stratified_contrast

CLAMP, HOLDER = "clamp", "holder"
CREW, PERSON = "crew", "technician"
"""Types of subjects: all people together, and one of them."""
EVERYBODY = "crew"
"""Name of all people together."""
MEASURES: dict[str, tuple[str, str, Kind]] = {
    "errors": ("errors", "made", "odds"),
    "loss": ("capped", "n", "ratio"),
    "angle": ("angle", "angles", "difference"),
    "spread": ("squares", "degrees_of_freedom", "ratio"),
}
"""Sum, count and kind of contrast of each measure."""
COLUMNS = [
    "subject_type", "subject", "measure", "clamp", "holder", "ratio", "low", "high", "clamp_n",
    "holder_n", "days",
]  # fmt: skip


def holding(cells: pd.DataFrame) -> pd.DataFrame:
    """Compare clamp and holder within each person's work, and within that of all.

    Parameters
    ----------
    cells : DataFrame
        From `arcdrift.analysis.loss.technician_days.aggregate_technician_days`, every splicer.

    Returns
    -------
    DataFrame
        `COLUMNS`; a row for each measure of everybody who used both, and of all of them together
        (`EVERYBODY`): ``errors`` (share of attempts), ``loss`` (dB), ``angle``
        (degrees, geometric mean of both sides) and ``spread`` (standard deviation of the log angle
        on one day). ``ratio`` with its 95 % interval is holder to clamp within the same hands,
        splicer, program and fibers (odds for errors); NaN where it cannot be told. Where nobody
        used both there are only the rows of all, without a ratio; none where no holding is logged.

    Notes
    -----
    Strata are person, splicer, program and fibers; the interval is that of whole days
    (`arcdrift.charts.stratified_contrast`). The spread is that between splices of one cell, so
    that days of a dull blade count little.
    """
    if cells.empty:
        return pd.DataFrame(columns=COLUMNS)
    used = cells["holding"].isin([CLAMP, HOLDER]) & (cells["technician"] != NOBODY)
    held = cells[used].reset_index(drop=True)
    if held.empty:
        return pd.DataFrame(columns=COLUMNS)
    angles, angle = (held[name].to_numpy(dtype=np.float64) for name in ("angles", "angle"))
    squares = held["angle_squares"].to_numpy(dtype=np.float64) - angle**2 / np.maximum(angles, 1.0)
    held = held.assign(
        squares=np.maximum(squares, 0.0), degrees_of_freedom=np.maximum(angles - 1.0, 0.0)
    )
    holds = (held["holding"] == HOLDER).to_numpy()
    owner, first = group_index(held["technician"])
    both = np.zeros((len(first), 2))
    np.add.at(both, (owner, holds.astype(int)), 1.0)
    of_both: Bools = np.asarray((both > 0).all(axis=1))
    compared = of_both[owner] if of_both.any() else np.ones(len(held), dtype=bool)
    rows = [*_compared(held[compared], holds[compared], CREW, EVERYBODY)]
    for number in np.flatnonzero(of_both):
        own = owner == number
        name = str(held["technician"].iloc[first[number]])
        rows += _compared(held[own], holds[own], PERSON, name)
    return pd.DataFrame(rows, columns=COLUMNS)


def _compared(
    held: pd.DataFrame, holds: Bools, subject_type: str, subject: str
) -> list[dict[str, object]]:
    stratum, _ = group_index(held["technician"], held["splicer"], held["program"], held["fibers"])
    day, _ = group_index(held["day"])
    rows = []
    for measure, (total, count, kind) in MEASURES.items():
        sums, n = (held[name].to_numpy(dtype=np.float64) for name in (total, count))
        contrast = stratified_contrast(holds, sums, n, stratum, day, kind)
        row = _row(measure, contrast, holds, sums, n)
        rows.append({"subject_type": subject_type, "subject": subject} | row)
    return rows


def _row(
    measure: str, contrast: Contrast, holds: Bools, sums: Floats, n: Floats
) -> dict[str, object]:
    ends = np.array([contrast.estimate, contrast.low, contrast.high])
    means = np.array(
        [sums[arm].sum() / n[arm].sum() if n[arm].sum() else np.nan for arm in (~holds, holds)]
    )
    if measure == "angle":
        ends, means = np.exp(ends), np.exp(means)
    elif measure == "spread":
        ends, means = np.sqrt(ends), np.sqrt(means)
    return {
        "measure": measure, "clamp": float(means[0]), "holder": float(means[1]),
        "ratio": float(ends[0]), "low": float(ends[1]), "high": float(ends[2]),
        "clamp_n": int(contrast.counts[0]), "holder_n": int(contrast.counts[1]),
        "days": contrast.clusters,
    }  # fmt: skip
