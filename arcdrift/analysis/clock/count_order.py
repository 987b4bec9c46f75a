"""The order in which a splicer truly worked, told by its counts instead of its clock."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.arrays import Bools, Floats, Ints

STEP_BACK_S = 35 * 60
"""Time going back by less is a clock that was nudged, not one that is hours off."""
COUNTED_SHARE = 0.9
MIN_ROWS = 10
_GAP = 300
"""Counts left out at once; some days of work."""
_PERSISTS = 10
_RESTART = 0.5
_MOST_STEPS_BACK = 0.02


@dataclass(frozen=True)
class Ordered:
    """Splices in true order.

    Attributes
    ----------
    rows : ndarray of int
        Positions in the frame.
    time : ndarray of int
        Time as logged, microseconds UTC.
    count : ndarray of float
        What orders them.
    era : ndarray of int
        Grows by one where the count began anew.
    """

    rows: Ints
    time: Ints
    count: Floats
    era: Ints


def true_order(splices: pd.DataFrame) -> Ordered | str:
    """Put one splicer's splices into the order in which they were made.

    Parameters
    ----------
    splices : DataFrame
        ``id``, ``import_id``, ``spliced_at`` (UTC), ``arc_count``, and ``splice_number`` where
        it is logged.

    Returns
    -------
    Ordered, or str
        Why the order cannot be told.

    Notes
    -----
    The splice number orders the rows, else the arc count. A count that falls for good begins a
    new era (electrodes replaced, memory cleared). Eras are told from the log's own order, from
    the order of imports, or from time, whichever needs the fewest falls of the count, steps back
    in time and gaps.
    """
    count = _count_of(splices)
    if isinstance(count, str):
        return count
    kept = np.flatnonzero(~np.isnan(count))
    count = count[kept]
    at = to_microseconds(splices["spliced_at"])[kept]
    order = _likeliest(splices.iloc[kept], at, count)
    if not ((np.diff(count[order]) < 0) | (np.diff(at[order]) < 0)).any():
        rows = order
        era = np.zeros(len(order), np.int64)
    else:
        along = count[order]
        era_along = np.cumsum(_restarts(along)).astype(np.int64)
        sure = np.lexsort((np.arange(len(order)), along, era_along))
        rows, era = order[sure], era_along[sure]
    back = int((np.diff(at[rows]) < -STEP_BACK_S * 1_000_000).sum())
    if back > max(4, _MOST_STEPS_BACK * len(rows)):
        return "its counts and its times do not run together"
    return Ordered(kept[rows], at[rows], count[rows], era)


def _count_of(splices: pd.DataFrame) -> Floats | str:
    if len(splices) < MIN_ROWS:
        return f"it made fewer than {MIN_ROWS} splices"
    for name in ("splice_number", "arc_count"):
        if name in splices:
            count = splices[name].to_numpy(np.float64, na_value=np.nan)
            if (~np.isnan(count)).mean() >= COUNTED_SHARE:
                return count
    return "its log keeps neither splice numbers nor arc counts"


def _likeliest(splices: pd.DataFrame, at: Ints, count: Floats) -> Ints:
    code, imports = pd.factorize(splices["import_id"], sort=True)
    number = splices["id"].to_numpy(np.int64)
    plain = np.lexsort((number, code))
    if not _oddities(at[plain], count[plain]):
        return plain
    # a log written newest first is read from its end
    same = np.diff(code[plain]) == 0
    steps = np.sign(np.diff(count[plain])) * same
    up = np.bincount(code[plain][1:], steps, minlength=len(imports)) >= 0
    along = np.where(up[code], number, -number)
    middle = pd.Series(at).groupby(code).median().to_numpy()
    choices = (
        np.lexsort((along, code, middle[code])),
        np.lexsort((along, code)),
        np.lexsort((count, at)),
    )
    oddities = [_oddities(at[order], count[order]) for order in choices]
    return choices[int(np.argmin(oddities))]


def _oddities(at: Ints, count: Floats) -> int:
    step = np.diff(count)
    back = np.diff(at) < -STEP_BACK_S * 1_000_000
    return int((step < 0).sum() + back.sum() + (step > _GAP).sum())


def _restarts(count: Floats) -> Bools:
    """Rows at which the count fell to half or less and stayed below."""
    found = np.zeros(len(count), np.bool_)
    for place in np.flatnonzero(np.diff(count) < 0) + 1:
        before, after = count[max(place - _PERSISTS, 0) : place], count[place : place + _PERSISTS]
        found[place] = (
            after.max() < before[-1]
            and before.min() > count[place]
            and count[place] <= _RESTART * before[-1]
        )
    return found
