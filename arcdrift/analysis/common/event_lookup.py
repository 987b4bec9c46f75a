"""For each (splicer, time): number of earlier events and index of the latest one."""

import numpy as np
import pandas as pd

from arcdrift.arrays import Ints, Microseconds


def splicer_index(splicers: pd.Series, names: pd.Index) -> Ints:
    """Position of each row's splicer in ``names``, shape (n,); -1 where it is not among them."""
    if isinstance(splicers.dtype, pd.CategoricalDtype):
        position = np.append(names.get_indexer(splicers.cat.categories), -1)
        return position[splicers.cat.codes.to_numpy()].astype(np.int64)
    return names.get_indexer(pd.Index(splicers)).astype(np.int64)


def to_microseconds(times: pd.Series) -> Microseconds:
    """Convert UTC timestamps to microseconds since 1970, shape (n,)."""
    return np.asarray(pd.DatetimeIndex(times).as_unit("us").asi8, dtype=np.int64)


def to_timestamps(microseconds: Microseconds) -> pd.Series:
    """Convert microseconds since 1970 to UTC timestamps."""
    return pd.Series(microseconds.view("datetime64[us]")).dt.tz_localize("UTC")


def first_and_last(group: Ints, time: Microseconds, groups: int) -> tuple[pd.Series, pd.Series]:
    """Earliest and latest time of each group, as UTC timestamps.

    Parameters
    ----------
    group, time : array of shape (n,)
        Number of each row's group, and microseconds UTC.
    groups : int
        Number of groups, each of which has a row.
    """
    limits = np.iinfo(np.int64)
    first, last = np.full(groups, limits.max), np.full(groups, limits.min)
    np.minimum.at(first, group, time)
    np.maximum.at(last, group, time)
    return to_timestamps(first), to_timestamps(last)


def count_events_until(
    splicer: Ints, time: Microseconds, event_splicer: Ints, event_time: Microseconds
) -> Ints:
    """Count the same splicer's events up to and including each time.

    Parameters
    ----------
    splicer, time : array of shape (n,)
        Index of a splicer (not negative), and microseconds UTC.
    event_splicer, event_time : array of shape (events,)
        The same for the events, in any order.

    Returns
    -------
    array of shape (n,)
    """
    start, end = _event_ranges(splicer, time, event_splicer, event_time)
    return end - start


def latest_event(
    splicer: Ints, time: Microseconds, event_splicer: Ints, event_time: Microseconds
) -> Ints:
    """Index of the same splicer's latest event up to and including each time; -1 for none.

    If several events share one time, the last of them in the input counts. Parameters as for
    `count_events_until`; the result, of shape (n,), indexes ``event_splicer``.
    """
    start, end = _event_ranges(splicer, time, event_splicer, event_time)
    order = np.append(np.lexsort((event_time, event_splicer)), -1)
    return np.where(end > start, order[end - 1], -1)


def _event_ranges(
    splicer: Ints, time: Microseconds, event_splicer: Ints, event_time: Microseconds
) -> tuple[Ints, Ints]:
    """Range of each query's events in the list sorted by splicer and time: start, end (excl.)."""
    times = np.unique(event_time)
    size = len(times) + 1
    # splicer and rank of the time are combined into one number that sorts like the pair
    events = np.sort(event_splicer * size + np.searchsorted(times, event_time) + 1)
    query = splicer * size + np.searchsorted(times, time, side="right")
    count = int(splicer.max()) + 1 if len(splicer) else 0
    start = np.searchsorted(events, np.arange(count) * size)[splicer]
    return start.astype(np.int64), np.searchsorted(events, query, side="right").astype(np.int64)
