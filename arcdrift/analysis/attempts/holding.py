"""Whether it matters how the fiber was held: clamp against holder in the same hands."""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import as_text, group_index, in_turn
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.stratified_contrast import Contrasts, Kind, StratifiedCells

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
    held, holds, owner = held[compared], holds[compared], owner[compared]
    tables = [_compared(held, holds, np.zeros_like(owner), CREW, [EVERYBODY])]
    if of_both.any():
        names = as_text(held["technician"].iloc[group_index(owner)[1]]).tolist()
        number = np.cumsum(of_both) - 1
        tables.append(_compared(held, holds, number[owner], PERSON, names))
    return pd.concat(tables, ignore_index=True)[COLUMNS]


def _compared(
    held: pd.DataFrame, holds: Bools, owner: Ints, subject_type: str, subjects: list[str]
) -> pd.DataFrame:
    """Rows of each owner of cells, all measures of one after the other."""
    stratum, _ = group_index(held["technician"], held["splicer"], held["program"], held["fibers"])
    cells = StratifiedCells(holds, stratum, group_index(held["day"])[0], owner)
    tables = []
    for measure, (total, count, kind) in MEASURES.items():
        sums, n = (held[name].to_numpy(dtype=np.float64) for name in (total, count))
        figures = _figures(measure, cells.contrasts(sums, n, kind), owner, holds, sums, n)
        table = pd.DataFrame({"subject": subjects, "measure": measure, **figures})
        tables.append(table.assign(subject_type=subject_type))
    return in_turn(tables)


def _figures(
    measure: str, contrasts: Contrasts, owner: Ints, holds: Bools, sums: Floats, n: Floats
) -> dict[str, object]:
    """Columns of one measure, a value for each owner."""
    owners = len(contrasts.estimate)
    ends = np.array([contrasts.estimate, contrasts.low, contrasts.high])
    with np.errstate(invalid="ignore"):
        means = np.array(
            [
                np.bincount(owner[arm], sums[arm], owners) / np.bincount(owner[arm], n[arm], owners)
                for arm in (~holds, holds)
            ]
        )
    if measure == "angle":
        ends, means = np.exp(ends), np.exp(means)
    elif measure == "spread":
        ends, means = np.sqrt(ends), np.sqrt(means)
    return {
        "clamp": means[0], "holder": means[1],
        "ratio": ends[0], "low": ends[1], "high": ends[2],
        "clamp_n": contrasts.counts[:, 0].astype(np.int64),
        "holder_n": contrasts.counts[:, 1].astype(np.int64), "days": contrasts.clusters,
    }  # fmt: skip
