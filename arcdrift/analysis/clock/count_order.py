"""True order of a splicer's splices, from its splice or arc counts instead of its clock."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.clock_bounds import COUNTERS

STEP_BACK_S = 35 * 60
"""A step back in time by less is a small correction of the clock, not an error of hours."""
COUNTED_SHARE = 0.9
"""Share of splices that must have a count for the count to be used."""
MIN_ROWS = 10
"""Fewest splices that can be ordered."""
COUNTER_COLUMNS = tuple(column for column, _ in COUNTERS)
"""Columns of counts, the preferred one first."""
_GAP = 300
"""Jump of the count that counts as a gap; some days of work."""
_RESTART_ROWS = 10
"""Rows before and after a fall of the count that are compared."""
_RESTART_SHARE = 0.5
"""A count that falls to at most this share of its last value was reset."""
_MAX_STEPS_BACK = 0.02
"""Share of rows with a step back in time above which the order is refused."""


@dataclass(frozen=True)
class OrderedSplices:
    """Splices in true order; arrays of shape (n,).

    Attributes
    ----------
    rows : ndarray of int
        Positions in the frame.
    time : ndarray of int
        Time as logged, microseconds UTC.
    count : ndarray of float
        Splice number or arc count.
    era : ndarray of int
        Increases by one at each reset of the count.
    counter : str
        Column of the count: ``splice_number`` or ``arc_count``.
    """

    rows: Ints
    time: Ints
    count: Floats
    era: Ints
    counter: str


def true_order(splices: pd.DataFrame) -> OrderedSplices | str:
    """Put one splicer's splices into the order in which they were made.

    Parameters
    ----------
    splices : DataFrame
        ``id``, ``import_id``, ``spliced_at`` (UTC), ``arc_count``, and ``splice_number`` where
        it is logged.

    Returns
    -------
    OrderedSplices, or str
        The reason, if the order cannot be determined.

    Notes
    -----
    The rows are ordered by splice number, else by arc count. A count that falls and stays low
    starts a new era (electrodes replaced, memory cleared). Eras are determined in the order of
    the log, of imports, or of time, whichever has the fewest falls of the count, steps back in
    time and gaps.
    """
    counter = _usable_counter(splices)
    if counter not in COUNTER_COLUMNS:
        return counter
    count = splices[counter].to_numpy(np.float64, na_value=np.nan)
    counted = np.flatnonzero(~np.isnan(count))
    count = count[counted]
    time = to_microseconds(splices["spliced_at"])[counted]
    order = _best_order(
        splices["import_id"].to_numpy(np.int64)[counted],
        splices["id"].to_numpy(np.int64)[counted],
        time,
        count,
    )
    if not ((np.diff(count[order]) < 0) | (np.diff(time[order]) < 0)).any():
        rows = order
        era = np.zeros(len(order), np.int64)
    else:
        ordered_count = count[order]
        ordered_era = np.cumsum(_restarts(ordered_count)).astype(np.int64)
        by_count = np.lexsort((np.arange(len(order)), ordered_count, ordered_era))
        rows, era = order[by_count], ordered_era[by_count]
    steps_back = int((np.diff(time[rows]) < -STEP_BACK_S * 1_000_000).sum())
    if steps_back > max(4, _MAX_STEPS_BACK * len(rows)):
        return "its counts and its times do not run together"
    return OrderedSplices(counted[rows], time[rows], count[rows], era, counter)


def _usable_counter(splices: pd.DataFrame) -> str:
    """Column of splice numbers, else of arc counts; the reason if neither can be used."""
    if len(splices) < MIN_ROWS:
        return f"it made fewer than {MIN_ROWS} splices"
    for name in COUNTER_COLUMNS:
        if name in splices and splices[name].count() / len(splices) >= COUNTED_SHARE:
            return name
    return "its log keeps neither splice numbers nor arc counts"


def _best_order(import_id: Ints, number: Ints, time: Ints, count: Floats) -> Ints:
    """Order of rows with the fewest irregularities: as stored, by import, or by count and time."""
    stored_order = _stored_order(import_id, number)
    if not _count_irregularities(time[stored_order], count[stored_order]):
        return stored_order
    imports, code = np.unique(import_id, return_inverse=True)
    # a log that is sorted newest first is reversed
    same_import = np.diff(code[stored_order]) == 0
    steps = np.sign(np.diff(count[stored_order])) * same_import
    rising = np.bincount(code[stored_order][1:], steps, minlength=len(imports)) >= 0
    position = np.where(rising[code], number, -number)
    median_time = pd.Series(time).groupby(code).median().to_numpy()
    choices = (
        np.lexsort((position, code, median_time[code])),
        np.lexsort((position, code)),
        np.lexsort((count, time)),
    )
    oddities = [_count_irregularities(time[order], count[order]) for order in choices]
    return choices[int(np.argmin(oddities))]


def _stored_order(import_id: Ints, number: Ints) -> Ints:
    """Rows by import, in each by number."""
    if (np.diff(import_id) >= 0).all() and (np.diff(number) > 0).all():
        return np.arange(len(number))
    return np.lexsort((number, import_id))


def _count_irregularities(time: Ints, count: Floats) -> int:
    """Number of falls of the count, steps back in time, and gaps in the count."""
    step = np.diff(count)
    steps_back = np.diff(time) < -STEP_BACK_S * 1_000_000
    return int((step < 0).sum() + steps_back.sum() + (step > _GAP).sum())


def _restarts(count: Floats) -> Bools:
    """Rows at which the count fell to half or less and stayed lower, as a mask of shape (n,)."""
    restarts = np.zeros(len(count), np.bool_)
    for row in np.flatnonzero(np.diff(count) < 0) + 1:
        before, after = count[max(row - _RESTART_ROWS, 0) : row], count[row : row + _RESTART_ROWS]
        restarts[row] = (
            after.max() < before[-1]
            and before.min() > count[row]
            and count[row] <= _RESTART_SHARE * before[-1]
        )
    return restarts
