"""Which rows of a file are new, which are stored already, and which contradict a stored row.

Two rows are the same event when they share the identity of their kind: splicer and time, and
the splice number where there is one. A log that keeps minutes only may hold several events in
one minute; there rows are matched by content, and rows beyond the stored ones are new.
The cost is linear in the file's rows plus the stored rows of the same splicers or sites in
the file's ranges of time.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from sqlalchemy import Select, or_, select

from arcdrift.intake.clock import coded
from arcdrift.intake.kinds import Kind
from arcdrift.store.schema import RECORDS

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

Reader = Callable[[Select[Any]], pd.DataFrame]

NEW, STORED, CONFLICT = 0, 1, 2
_GAP_US = 7 * 86_400_000_000
_MOST_RANGES = 40


@dataclass(frozen=True)
class Fates:
    """What becomes of each row.

    Attributes
    ----------
    fate : array of int
        `NEW`, `STORED` or `CONFLICT`, one a row.
    stored_id : array of int64
        Id of the stored row that a conflicting row contradicts; -1 where there is none.
    file_row : array of int64
        Position of the row of the same file that it contradicts instead; -1 where none.
    stored : DataFrame
        The contradicted stored rows, by id.
    """

    fate: Ints
    stored_id: Ints
    file_row: Ints
    stored: pd.DataFrame


def settle(
    read: Reader,
    kind: Kind,
    frame: pd.DataFrame,
    given: Iterable[str],
    *,
    to_the_second: bool,
) -> Fates:
    """Compare rows with the store and with each other.

    Parameters
    ----------
    read : callable
        Runs a query on the store and returns its rows as a frame by id.
    frame : DataFrame
        Sound rows in file order, all columns of the kind.
    given : iterable of str
        Columns that the file speaks of; only these can contradict a stored row.
    to_the_second : bool
        Whether the file's times have seconds.
    """
    identity = [*kind.identity, kind.time_column]
    count = len(frame)
    none = np.full(count, -1, np.int64)
    fates = Fates(np.zeros(count, np.int64), none, none.copy(), frame.iloc[:0])
    if count == 0:
        return fates
    known = _stored(read, kind, frame, identity)
    key, _ = coded(*(_stacked(known[name], frame[name]) for name in identity))
    in_store, in_file = key[: len(known)], key[len(known) :]
    kinds_of_key = int(key.max()) + 1
    stored_of_key = np.bincount(in_store, minlength=kinds_of_key)
    rows_of_key = np.bincount(in_file, minlength=kinds_of_key)
    doubtful = np.flatnonzero((stored_of_key[in_file] > 0) | (rows_of_key[in_file] > 1))
    if len(doubtful) == 0:
        return fates
    met = rows_of_key[in_store] > 0
    content = [name for name in given if name not in identity]
    old = _stored(read, kind, frame, content).loc[lambda f: f["id"].isin(known["id"][met])]
    new = frame.iloc[doubtful]
    old_key = in_store[met]
    new_key = in_file[doubtful]
    same, _ = coded(
        pd.Series(np.concatenate([old_key, new_key])),
        *(_stacked(old[name], new[name]) for name in content),
    )
    exact = _exact(kind, new, to_the_second=to_the_second)
    outcome = _compare(old_key, same[: len(old)], new_key, same[len(old) :], exact)
    fates.fate[doubtful] = outcome.fate
    against_old = outcome.old_row >= 0
    fates.stored_id[doubtful[against_old]] = old["id"].to_numpy()[outcome.old_row[against_old]]
    against_new = outcome.new_row >= 0
    fates.file_row[doubtful[against_new]] = doubtful[outcome.new_row[against_new]]
    contradicted = old[old["id"].isin(fates.stored_id[fates.stored_id >= 0])]
    return Fates(fates.fate, fates.stored_id, fates.file_row, contradicted.set_index("id"))


@dataclass(frozen=True)
class _Outcome:
    fate: Ints
    old_row: Ints
    new_row: Ints


def _compare(
    old_key: Ints, old_same: Ints, new_key: Ints, new_same: Ints, exact: Bools
) -> _Outcome:
    """Match rows by event (key) and by event and content (same)."""
    events = int(max(old_key.max(initial=0), new_key.max())) + 1
    contents = int(max(old_same.max(initial=0), new_same.max())) + 1
    old_of_same = np.bincount(old_same, minlength=contents)
    new_of_same = np.bincount(new_same, minlength=contents)
    old_of_key = np.bincount(old_key, minlength=events)

    repeat = _rank(new_same)
    stored = np.where(
        exact, (old_of_same[new_same] > 0) | (repeat > 0), repeat < old_of_same[new_same]
    )
    left = np.flatnonzero(~stored)
    rank = np.full(len(new_key), -1, np.int64)
    rank[left] = _rank(new_key[left])

    # stored rows without a twin in the file; in an exact event every stored row is a rival
    unmatched = _rank(old_same) >= new_of_same[old_same]
    exact_key = np.zeros(events, bool)
    exact_key[new_key[exact]] = True
    rival = np.flatnonzero(unmatched | exact_key[old_key])
    rivals_of_key = np.bincount(old_key[rival], minlength=events)
    rival_row = rival[np.argsort(old_key[rival], kind="stable")]
    first_rival = np.cumsum(rivals_of_key) - rivals_of_key

    fate = np.where(stored, STORED, NEW)
    old_row = np.full(len(new_key), -1, np.int64)
    new_row = np.full(len(new_key), -1, np.int64)
    against_old = ~stored & np.where(exact, old_of_key[new_key] > 0, rank < rivals_of_key[new_key])
    which = first_rival[new_key] + np.where(exact, 0, rank)
    old_row[against_old] = rival_row[which[against_old]]
    against_new = ~stored & exact & ~against_old & (rank > 0)
    first_new = np.full(events, -1, np.int64)
    opening = rank == 0
    first_new[new_key[opening]] = np.flatnonzero(opening)
    new_row[against_new] = first_new[new_key[against_new]]
    fate[against_old | against_new] = CONFLICT
    return _Outcome(fate, old_row, new_row)


def _exact(kind: Kind, frame: pd.DataFrame, *, to_the_second: bool) -> Bools:
    """Rows whose identity can belong to one event only."""
    if to_the_second or not kind.repeats:
        return np.ones(len(frame), bool)
    if "splice_number" in kind.identity:
        return np.asarray(frame["splice_number"].notna(), dtype=bool)
    return np.zeros(len(frame), bool)


def _rank(code: Ints) -> Ints:
    """How many rows with the same code come before each row."""
    order = np.argsort(code, kind="stable")
    ordered = code[order]
    new = np.ones(len(code), bool)
    new[1:] = ordered[1:] != ordered[:-1]
    start = np.maximum.accumulate(np.where(new, np.arange(len(code)), 0))
    rank = np.empty(len(code), np.int64)
    rank[order] = np.arange(len(code)) - start
    return rank


def _stacked(old: pd.Series, new: pd.Series) -> pd.Series:
    return pd.concat([old.astype(new.dtype), new], ignore_index=True)


def _stored(read: Reader, kind: Kind, frame: pd.DataFrame, columns: Iterable[str]) -> pd.DataFrame:
    """Stored rows of the same splicers or sites in the frame's ranges of time, by id."""
    table = RECORDS[kind.name]
    when = table.columns[kind.time_column]
    query: Select[Any] = select(table.columns.id, *(table.columns[name] for name in columns))
    at = np.asarray(frame[kind.time_column].astype("int64"), dtype=np.int64)
    whose = [name for name in ("site", "splicer", "asset") if name in kind.identity]
    theirs = [
        table.columns[name].in_(frame[name].dropna().unique().tolist())
        for name in whose
        if frame[name].notna().any()
    ]
    in_range = [when.between(first, last) for first, last in _ranges(at)]
    return read(query.where(or_(*theirs), or_(*in_range)))


def _ranges(at: Ints) -> list[tuple[int, int]]:
    """Ranges that the times fall in, so that one wrong clock does not span the whole store."""
    times = np.sort(at)
    gaps = np.diff(times)
    wide = np.flatnonzero(gaps > _GAP_US)
    if len(wide) >= _MOST_RANGES:
        wide = np.sort(wide[np.argsort(gaps[wide])[-(_MOST_RANGES - 1) :]])
    first = times[np.concatenate([[0], wide + 1])]
    last = times[np.concatenate([wide, [len(times) - 1]])]
    return list(zip(first.tolist(), last.tolist(), strict=True))
