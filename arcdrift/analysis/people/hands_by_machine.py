"""Each person's level on each splicer with each cleaver, against colleagues on the same two.

What is said about a person is fair where it shows on machines that others used as well: on other
splicers and cleavers than the one that may be at fault.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.analysis.people.median_colleague import medians_of_others
from arcdrift.analysis.people.prep_effects import measure_rows, relative
from arcdrift.arrays import Floats
from arcdrift.charts.intervals import Z95

MEASURES = ("loss", "angle")
MIN_DAYS = 3
"""Days on a machine from which a person has a figure there, and counts as a colleague."""
FEWEST_COLLEAGUES = 2
"""Colleagues on a machine from which they have a median."""
CORRELATION = 0.2
"""Correlation from day to day, as in `arcdrift.analysis.people.before_after`."""
MEDIAN_VARIANCE = np.pi / 2
"""Variance of a median of many normal values over that of their mean (Kendall and Stuart 1963,
from memory)."""
KEYS = ["technician", "splicer", "cleaver"]
COLUMNS = [*KEYS, "measure", "days", "splices", "colleagues", "effect", "low", "high"]


def hands_by_machine(cells: pd.DataFrame) -> pd.DataFrame:
    """Compare each person with the median colleague on the same splicer and cleaver.

    Parameters
    ----------
    cells : DataFrame
        From `arcdrift.analysis.loss.technician_days.aggregate_technician_days`.

    Returns
    -------
    DataFrame
        `COLUMNS`; one row for each person, splicer, cleaver and measure (``loss``, ``angle``).
        ``effect``, ``low`` and ``high`` are the relative difference from the median of the
        colleagues there with its 95 % interval; NaN under `MIN_DAYS` days or
        `FEWEST_COLLEAGUES` colleagues.
    """
    work = cells[(cells["technician"] != NOBODY) & (cells["made"] > 0)].reset_index(drop=True)
    parts = [_of_measure(measure_rows(work, measure), measure) for measure in MEASURES]
    parts = [part for part in parts if len(part)]
    if not parts:
        return pd.DataFrame(columns=COLUMNS)
    return pd.concat(parts, ignore_index=True)[COLUMNS]


def _of_measure(rows: pd.DataFrame, measure: str) -> pd.DataFrame:
    if rows.empty:
        return pd.DataFrame(columns=COLUMNS)
    weight = rows["weight"].to_numpy(dtype=np.float64)
    rows = rows.assign(w=weight, wy=weight * rows["y"])
    sums = rows.groupby([*KEYS, "day"], as_index=False)[["n", "w", "wy"]].sum()
    sums["level"] = sums["wy"] / sums["w"]
    grouped = sums.groupby(KEYS)
    mean = (grouped["wy"].transform("sum") / grouped["w"].transform("sum")).to_numpy()
    sums["square"] = (sums["w"] * (sums["level"] - mean)) ** 2
    table = grouped.agg(
        days=("day", "nunique"), splices=("n", "sum"), w=("w", "sum"), wy=("wy", "sum"),
        square=("square", "sum"),
    ).reset_index()  # fmt: skip
    days = table["days"].to_numpy(dtype=np.float64)
    level = (table["wy"] / table["w"]).to_numpy(dtype=np.float64)
    widened = (1 + CORRELATION) / (1 - CORRELATION) * days / np.maximum(days - 1, 1)
    variance = (table["square"] / table["w"] ** 2).to_numpy(dtype=np.float64) * widened
    known = days >= MIN_DAYS
    colleagues = np.zeros(len(table), dtype=int)
    difference, spread = np.full(len(table), np.nan), np.full(len(table), np.nan)
    for rows_of_pair in table.groupby(["splicer", "cleaver"]).indices.values():
        places = np.asarray(rows_of_pair)
        members = places[known[places]]
        count = len(members) - 1
        colleagues[places] = np.maximum(len(members) - known[places], 0)
        if count < FEWEST_COLLEAGUES:
            continue
        difference[members] = level[members] - medians_of_others(level[members][None, :])[0]
        others = (variance[members].sum() - variance[members]) / count
        spread[members] = np.sqrt(variance[members] + MEDIAN_VARIANCE * others / count)
    half: Floats = Z95 * spread
    return table.assign(
        measure=measure,
        splices=table["splices"].astype(int),
        colleagues=colleagues,
        effect=relative(difference, measure),
        low=relative(difference - half, measure),
        high=relative(difference + half, measure),
    )
