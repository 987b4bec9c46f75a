"""Attempts at one place: which splices of a log were tries at the same joint of two fibers.

A splice that fails, or that nobody wants to leave behind, is made again at the same place. Logs
seldom say so outright: some write down the place, some count places, most count attempts. What is
read here is what each day of a splicer's log can tell.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.analysis.common.grouping import group_index, rows_with, text_codes, time_order
from arcdrift.arrays import Bools, Floats, Ints

ONE_PLACE = 6
"""A location with so many finished splices or more is a closure or a tray, not the place of one
splice (common practice, no source)."""
SELDOM_MADE_AGAIN = 0.20
"""Largest share of good splices that have another one under the same name on the same day, where
the name is believed to be that of one place: good splices are seldom made again, while all but the
last splice of a closure have another one after them (common practice, no source)."""
LOCATION_CREDIT = 2
"""Splices to be made again that may be followed by one under another name, more than by one under
the same, before a location is believed to differ with every attempt, as a position by satellite
does (common practice, no source)."""
TOLERANCE_DB = 1e-9
"""For losses that are equal to their limit but for rounding."""


@dataclass(frozen=True)
class Places:
    """The place of each attempt, and whether places were right first time.

    Attributes
    ----------
    place : array of shape (attempts,)
        Number of the attempt's place, from 0 on.
    nth : array of shape (attempts,)
        Which attempt at its place it is; 1 is the first.
    attempts : array of shape (attempts,)
        Number of attempts at its place.
    assessed : array of bool, shape (attempts,)
        First attempts of places of which it is known whether they were right first time.
    right : array of bool, shape (attempts,)
        Those of them that were: finished within the accepted loss, and nothing made again.
    """

    place: Ints
    nth: Ints
    attempts: Ints
    assessed: Bools
    right: Bools

    @property
    def first(self) -> Bools:
        """Whether each attempt is the first at its place."""
        return np.asarray(self.nth == 1)

    @property
    def again(self) -> Bools:
        """First attempts of places that are known not to have been right first time."""
        return np.asarray(self.assessed & ~self.right)


def find_places(splices: pd.DataFrame, day: pd.Series, limit: Floats) -> Places:
    """Find which attempts were made at one place, and which places were right first time.

    Parameters
    ----------
    splices : DataFrame
        Production splices of some splicers, all outcomes: ``splicer``, ``spliced_at`` (UTC),
        ``technician``, ``program``, ``outcome``, ``loss_db``, and where they are logged
        ``location``, ``splice_number`` and ``arc_count``.
    day : Series
        Their local workdays.
    limit : array of shape (attempts,)
        Loss accepted for each as a single splice, dB
        (`arcdrift.analysis.loss.acceptance.accepted_limits.splice_limits`).

    Returns
    -------
    Places
        In the order of `splices`.

    Notes
    -----
    Attempts at one place are of one splicer and one workday, and have the same

    1. location, where locations are places of one splice: fewer than `ONE_PLACE` finished splices
       at it, and on that day of the splicer few good splices (`SELDOM_MADE_AGAIN`) with another
       one at their location after them;
    2. otherwise splice number (and location, where many share it), on days when most attempts to be
       made again are followed by one with the same number, and few good ones are. A numbering that
       starts again within the day, as at each closure, is divided where the number falls;
    3. otherwise nothing but the order: an attempt marked as redo or error and the next one by the
       same person with the same program (at the same location, where many share it).

    A number that counts attempts, not places, never repeats on its day, so that the third rule
    holds. Attempts of one minute are in order of arc count, of splice number, and then those to be
    made again come first.

    A place is right first time if its first attempt was done within the limit and is the only one.
    A place whose only attempt is done without a loss figure is not assessed.

    What a log cannot tell:

    - Whether "redo" marks the splice that is to be made again, as is taken here, or the one that
      was made instead of it. In a log of the latter kind, a place that was made again counts twice
      by the third rule: for the bad splice, if it is over the limit, and for the redo.
    - By the third rule, a finished splice that was made again (broken while it was laid down, or a
      bad loss found later) counts as a place of its own, and so does what another person or another
      program tried at a place; a place given up for the day takes the next splice for its own.
    - Where few locations are shared (one in five splices is the second at its closure), they look
      like places that were made again; and positions by satellite look like places on days with
      `LOCATION_CREDIT` failures or fewer, whose attempts then count as places of their own.
    - A place made again on another day, or with another splicer, counts once on each: on a later
      day it is a repair, and past days stay as they were.
    """
    count = len(splices)
    splicer_day, _ = group_index(splices["splicer"], day) if count else (np.zeros(0, np.int64), 0)
    again = rows_with(splices["outcome"], "redo") | rows_with(splices["outcome"], "error")
    order = _time_order(splices, splicer_day, again)
    loss = splices["loss_db"].to_numpy(dtype=np.float64, na_value=np.nan)
    with np.errstate(invalid="ignore"):
        over = loss > limit + TOLERANCE_DB
    log = _Log(
        splicer_day[order],
        _crew_codes(splices, splicer_day)[order],
        _location_codes(splices)[order],
        _numbers(splices, "splice_number")[order],
        again[order],
        (again | over)[order],
    )
    in_order, _ = group_index(_place_keys(log)) if count else (np.zeros(0, np.int64), 0)
    by_place = np.argsort(in_order, kind="stable")
    attempts_at = np.bincount(in_order)
    nth_in_order = np.empty(count, dtype=np.int64)
    starts = np.repeat(np.cumsum(attempts_at) - attempts_at, attempts_at)
    nth_in_order[by_place] = np.arange(count) - starts + 1
    place, nth = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    place[order], nth[order] = in_order, nth_in_order
    attempts = attempts_at[place].astype(np.int64)
    first = nth == 1
    assessed = first & (again | (attempts > 1) | np.isfinite(loss))
    return Places(place, nth, attempts, assessed, assessed & ~again & ~over & (attempts == 1))


@dataclass(frozen=True)
class _Log:
    """Attempts by splicer, day and time; -1 and NaN where something is not logged.

    Attributes
    ----------
    splicer_day, hands, location : array of shape (attempts,)
        Number of the splicer's day, of its person and program on that day, and of the location.
    number : array of shape (attempts,)
        Splice number.
    again, bad : array of bool, shape (attempts,)
        Marked as redo or error; the same, or over the limit.
    """

    splicer_day: Ints
    hands: Ints
    location: Ints
    number: Floats
    again: Bools
    bad: Bools


def _place_keys(log: _Log) -> Ints:
    """A number for each attempt, the same for those at one place."""
    count = len(log.splicer_day)
    location, by_location = _locations_of_places(log)
    if by_location.all():
        return group_index(log.splicer_day, location)[0]
    keys = np.full(count, -1)
    if by_location.any():
        keys[by_location] = group_index(log.splicer_day[by_location], location[by_location])[0]
    numbered = ~by_location & np.isfinite(log.number)
    run = np.zeros(count, dtype=np.int64)
    for divided in (False, True):
        rows = np.flatnonzero(numbered)
        if not len(rows) or _only_grows(log, rows):
            break
        if divided:
            run[rows] = np.cumsum(np.diff(log.number[rows], prepend=log.number[rows[0]]) < 0)
        candidate = np.full(count, -1)
        candidate[rows], _ = group_index(
            log.splicer_day[rows], location[rows], run[rows], log.number[rows]
        )
        told = numbered & _tells_places(log, candidate, credit=0, must_repeat=True)
        keys[told] = candidate[told] + keys.max() + 1
        numbered &= ~told
    rest = np.flatnonzero(keys < 0)
    keys[rest] = _runs(log, location, rest) + keys.max() + 1
    return keys


def _locations_of_places(log: _Log) -> tuple[Ints, Bools]:
    """Locations, and whether each is the place of one splice.

    Locations that differ with every attempt say nothing; they become -1.
    """
    known = log.location >= 0
    if not known.any():
        return log.location, known
    at = np.full(len(known), -1)
    at[known], _ = group_index(log.splicer_day[known], log.location[known])
    finished = np.bincount(at[known & ~log.again], minlength=at.max() + 1)
    at[known & (finished[at] >= ONE_PLACE)] = -1
    single = at >= 0
    kept, left = _after_bad_ones(log, at)
    varies = (kept == 0) & (left > LOCATION_CREDIT)
    location = np.where(single & varies[log.splicer_day], -1, log.location)
    told = _tells_places(log, at, credit=LOCATION_CREDIT, must_repeat=False)
    return location, single & told


def _tells_places(log: _Log, key: Ints, *, credit: int, must_repeat: bool) -> Bools:
    """Whether a key names places on each attempt's day of the splicer.

    Parameters
    ----------
    key : array of shape (attempts,)
        -1 where there is none.
    credit : int
        Attempts to be made again that may be followed by another key, more than by the same.
    must_repeat : bool
        Whether the key of a bad attempt must repeat on that day.
    """
    days = int(log.splicer_day[-1]) + 1
    good = ~log.bad & (key >= 0)
    repeated = good & _has_later(key)
    goods, repeats = (
        np.bincount(log.splicer_day[rows], minlength=days) for rows in (good, repeated)
    )
    kept, left = _after_bad_ones(log, key)
    tells = (repeats <= SELDOM_MADE_AGAIN * goods) & (kept + credit >= left)
    if must_repeat:
        tells &= kept > 0
    return np.asarray(tells[log.splicer_day])


def _after_bad_ones(log: _Log, key: Ints) -> tuple[Ints, Ints]:
    """Bad attempts with a later one of the same key, and those marked that have only another's.

    Returns
    -------
    kept, left : array of shape (days of splicers,)
    """
    days = int(log.splicer_day[-1]) + 1
    later = _has_later(key)
    kept = log.bad & later
    left = log.again & (key >= 0) & ~later & _has_later(log.hands)
    kept_count, left_count = (
        np.bincount(log.splicer_day[rows], minlength=days) for rows in (kept, left)
    )
    return kept_count, left_count


def _has_later(key: Ints) -> Bools:
    """Whether a later attempt has the same key; False where the key is -1."""
    nth = np.arange(len(key))
    last = np.full(int(key.max(initial=-1)) + 2, -1)
    last[key] = nth  # of several with one key, the last stays
    return np.asarray((key >= 0) & (nth < last[key]))


def _only_grows(log: _Log, rows: Ints) -> bool:
    """Whether no number repeats or falls on any day."""
    same_day = np.diff(log.splicer_day[rows]) == 0
    return bool((np.diff(log.number[rows]) > 0)[same_day].all())


def _runs(log: _Log, location: Ints, rows: Ints) -> Ints:
    """Number the runs in which each attempt but the last is to be made again.

    A run is of one person with one program, at one location.
    """
    hands, _ = group_index(log.hands[rows], location[rows])
    order = np.argsort(hands, kind="stable")
    goes_on = np.r_[False, log.again[rows][order][:-1] & (np.diff(hands[order]) == 0)]
    run = np.empty(len(rows), dtype=np.int64)
    run[order] = np.cumsum(~goes_on) - 1
    return run


def _time_order(splices: pd.DataFrame, splicer_day: Ints, again: Bools) -> Ints:
    """Rows by splicer's day and time; those of one instant as `find_places` says."""
    at = to_microseconds(splices["spliced_at"])
    order = time_order(splicer_day, at)
    same = (np.diff(at[order]) == 0) & (np.diff(splicer_day[order]) == 0)
    if not same.any():
        return order
    tied = np.flatnonzero(np.r_[same, False] | np.r_[False, same])
    rows = order[tied]
    number, arcs = (_numbers(splices, name)[rows] for name in ("splice_number", "arc_count"))
    keys = (~again[rows], np.nan_to_num(number, nan=-1.0), np.nan_to_num(arcs, nan=-1.0))
    order[tied] = rows[np.lexsort((*keys, at[rows], splicer_day[rows]))]
    return order


def _crew_codes(splices: pd.DataFrame, splicer_day: Ints) -> Ints:
    """Number of each attempt's splicer, day, person and program; one not logged is like another."""
    if not len(splices):
        return splicer_day
    codes = (text_codes(splices[name])[0] + 1 for name in ("technician", "program"))
    return group_index(splicer_day, *codes)[0]


def _location_codes(splices: pd.DataFrame) -> Ints:
    """Number of each attempt's location; -1 where it is not logged."""
    if "location" not in splices.columns:
        return np.full(len(splices), -1)
    # by Arrow itself, which is several times faster than through pandas
    texts = pa.array(splices["location"], from_pandas=True)
    texts = texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts
    if not pa.types.is_dictionary(texts.type):
        texts = pc.dictionary_encode(texts)
    return np.asarray(texts.indices.fill_null(-1).to_numpy(zero_copy_only=False), dtype=np.int64)


def _numbers(splices: pd.DataFrame, name: str) -> Floats:
    """A column of numbers; NaN where it is not logged."""
    if name not in splices.columns:
        return np.full(len(splices), np.nan)
    return np.asarray(splices[name].to_numpy(dtype=np.float64, na_value=np.nan))
