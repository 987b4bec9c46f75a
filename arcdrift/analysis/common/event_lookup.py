"""What had happened to each splicer by an instant: how many events, and which was the latest."""

import numpy as np
import pandas as pd

from arcdrift.arrays import Ints


def numbers_of(splicers: pd.Series, names: pd.Index) -> Ints:
    """Place of each row's splicer among names, -1 for none of them."""
    if isinstance(splicers.dtype, pd.CategoricalDtype):
        place = np.append(names.get_indexer(splicers.cat.categories), -1)
        return place[splicers.cat.codes.to_numpy()].astype(np.int64)
    return names.get_indexer(pd.Index(splicers)).astype(np.int64)


def microseconds_of(at: pd.Series) -> Ints:
    """Instants as microseconds UTC."""
    return np.asarray(at.dt.as_unit("us").astype("int64"), dtype=np.int64)


def count_before(who: Ints, at: Ints, event_who: Ints, event_at: Ints) -> Ints:
    """How many events of the same splicer had happened by each instant, that instant included.

    Parameters
    ----------
    who, at : array of shape (n,)
        Number of a splicer, not negative, and microseconds.
    event_who, event_at : array of shape (events,)
        The same of events, in any order.
    """
    low, place = _places(who, at, event_who, event_at)
    return place - low


def latest(who: Ints, at: Ints, event_who: Ints, event_at: Ints) -> Ints:
    """Position of the same splicer's latest event up to each instant; -1 where there is none.

    Of events at one instant the one that comes last counts. Parameters as for `count_before`.
    """
    low, place = _places(who, at, event_who, event_at)
    order = np.append(np.lexsort((event_at, event_who)), -1)
    return np.where(place > low, order[place - 1], -1)


def _places(who: Ints, at: Ints, event_who: Ints, event_at: Ints) -> tuple[Ints, Ints]:
    """Among events by splicer and instant: where the splicer's begin, and where `at` falls."""
    times = np.unique(event_at)
    size = len(times) + 1
    # splicer and rank of the instant in one number that sorts like the two
    events = np.sort(event_who * size + np.searchsorted(times, event_at) + 1)
    mine = who * size + np.searchsorted(times, at, side="right")
    low = np.searchsorted(events, who * size)
    return low.astype(np.int64), np.searchsorted(events, mine, side="right").astype(np.int64)
