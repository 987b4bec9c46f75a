"""Each person's level on each splicer with each cleaver, against colleagues on the same two.

What is said about a person is fair where it shows on machines that others used as well: on other
splicers and cleavers than the one that may be at fault.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import category_to_text, group_index
from arcdrift.analysis.people.median_colleague import medians_of_others
from arcdrift.analysis.people.prep_effects import measure_rows, relative, work_of_people
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


def hands_by_machine(
    cells: pd.DataFrame, rows: Mapping[str, pd.DataFrame] | None = None
) -> pd.DataFrame:
    """Compare each person with the median colleague on the same splicer and cleaver.

    Parameters
    ----------
    cells : DataFrame
        From `arcdrift.analysis.loss.technician_days.aggregate_technician_days`.
    rows : mapping of str to DataFrame, optional
        By measure: its `measure_rows`, where they have been worked out.

    Returns
    -------
    DataFrame
        `COLUMNS`; one row for each person, splicer, cleaver and measure (``loss``, ``angle``).
        ``effect``, ``low`` and ``high`` are the relative difference from the median of the
        colleagues there with its 95 % interval; NaN under `MIN_DAYS` days or
        `FEWEST_COLLEAGUES` colleagues.
    """
    if rows is None or not set(MEASURES) <= set(rows):
        work = work_of_people(cells)
        rows = {measure: measure_rows(work, measure) for measure in MEASURES}
    parts = [_of_measure(rows[measure], measure) for measure in MEASURES]
    parts = [part for part in parts if len(part)]
    if not parts:
        return pd.DataFrame(columns=COLUMNS)
    return pd.concat(parts, ignore_index=True)[COLUMNS]


def _of_measure(rows: pd.DataFrame, measure: str) -> pd.DataFrame:
    if rows.empty:
        return pd.DataFrame(columns=COLUMNS)
    weight, y = (rows[name].to_numpy(dtype=np.float64) for name in ("weight", "y"))
    day, first = group_index(*(rows[key] for key in (*KEYS, "day")))
    place, first_of_place = group_index(*(rows[key].iloc[first] for key in KEYS))
    names = category_to_text(rows[KEYS].iloc[first].iloc[first_of_place]).reset_index(drop=True)
    pair, _ = group_index(names["splicer"], names["cleaver"])
    w, wy = np.bincount(day, weight), np.bincount(day, weight * y)
    total, days = np.bincount(place, w), np.bincount(place)
    level = np.bincount(place, wy) / total
    square = np.bincount(place, (w * (wy / w - level[place])) ** 2)
    widened = (1 + CORRELATION) / (1 - CORRELATION) * days / np.maximum(days - 1, 1)
    variance = square / total**2 * widened
    known = days >= MIN_DAYS
    colleagues = np.zeros(len(names), dtype=int)
    difference, spread = np.full(len(names), np.nan), np.full(len(names), np.nan)
    for number in range(int(pair.max()) + 1):
        places = np.flatnonzero(pair == number)
        members = places[known[places]]
        count = len(members) - 1
        colleagues[places] = np.maximum(len(members) - known[places], 0)
        if count < FEWEST_COLLEAGUES:
            continue
        difference[members] = level[members] - medians_of_others(level[members][None, :])[0]
        others = (variance[members].sum() - variance[members]) / count
        spread[members] = np.sqrt(variance[members] + MEDIAN_VARIANCE * others / count)
    half: Floats = Z95 * spread
    return names.assign(
        measure=measure,
        days=days,
        splices=np.bincount(place[day], rows["n"]).astype(int),
        colleagues=colleagues,
        effect=relative(difference, measure),
        low=relative(difference - half, measure),
        high=relative(difference + half, measure),
    )
