"""Classify the rows of a file: new, already stored, or contradicting a stored row.

Most rows are classified in bulk: nothing is stored for their splicer's minute (or their place's
time), or what is stored there is exactly what the file says. The others are compared with
everything that earlier files say about the same minute (`arcdrift.store.events.record_matching`),
and people about the time around it (`arcdrift.store.events.written_joins`), so that the order of
imports changes nothing. The cost is linear in the file's rows plus the stored rows of the same
splicers or places in the file's ranges of time.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import select

from arcdrift.arrays import Bools, Ints
from arcdrift.intake.schema.kinds import Kind
from arcdrift.intake.typing.local_times import coded
from arcdrift.store import schema
from arcdrift.store.events.event_candidates import (
    EventCandidates,
    Reader,
    candidate_key,
    id_condition,
    load_candidates,
    near_condition,
    row_values,
    source_files,
    stored_values,
)
from arcdrift.store.events.record_matching import (
    MINUTE_US,
    RECORD_IDENTITIES,
    RecordIdentity,
    SourceRow,
)
from arcdrift.store.events.written_joins import match_with_written
from arcdrift.store.events.written_rows import WrittenRows, written_rows

NEW, STORED, CONFLICT = 0, 1, 2
_LAST = 1 << 62
"""Stands for the import of the rows at hand: later than every stored one."""


@dataclass(frozen=True)
class RowOutcomes:
    """What becomes of each row.

    Attributes
    ----------
    outcome : array of int
        `NEW`, `STORED` or `CONFLICT`, one per row.
    stored_id : array of int64
        Id of the stored row that a row repeats or contradicts; -1 for none.
    file_row : array of int64
        Position of the row of the same file that it repeats or contradicts instead; -1 for none.
    contested : array of bool
        Rows of minutes where more than plain repeats come together. Their minutes are rebuilt
        once the rows are stored.
    """

    outcome: Ints
    stored_id: Ints
    file_row: Ints
    contested: Bools

    @property
    def all_new(self) -> bool:
        """Whether every row is new and none is contested."""
        return bool((self.outcome == NEW).all()) and not self.contested.any()


def classify_rows(
    read: Reader,
    kind: Kind,
    identity: pd.DataFrame,
    load_rows: Callable[[], pd.DataFrame],
    stated_columns: Iterable[str],
    *,
    to_the_second: bool,
) -> RowOutcomes:
    """Compare rows with the store and with each other.

    Parameters
    ----------
    read : callable
        Runs a query on the store and returns its rows as a frame by id.
    identity : DataFrame
        Sound rows in file order: the columns that identify a record, and its time.
    load_rows : callable
        Returns the same rows with all columns of the kind; called only if they are needed.
    stated_columns : iterable of str
        The columns that the file or its layout has; only these can contradict a stored row.
    to_the_second : bool
        Whether the file's times have seconds.
    """
    record_identity, count = RECORD_IDENTITIES[kind.name], len(identity)
    none = np.full(count, -1, np.int64)
    outcomes = RowOutcomes(np.zeros(count, np.int64), none, none.copy(), np.zeros(count, bool))
    if count == 0:
        return outcomes
    known = _stored(
        read,
        record_identity,
        identity,
        ["import_id", *record_identity.subject, record_identity.time],
    )
    group, _ = coded(
        *(_stacked(known[name], identity[name]) for name in record_identity.subject),
        _stacked(_when(known, record_identity), _when(identity, record_identity)),
    )
    stored_group, group = group[: len(known)], group[len(known) :]
    groups = max(int(stored_group.max(initial=0)), int(group.max())) + 1
    has_stored = np.bincount(stored_group, minlength=groups) > 0
    contested = np.zeros(groups, bool)
    contested[group[_unclear(identity, record_identity, group, to_the_second=to_the_second)]] = True
    # what was written down by hand may be the same event as any row in its reach
    written = written_rows(read, record_identity, set(identity[record_identity.subject[0]]))
    contested[group[written.in_spans(identity, record_identity)]] = True
    doubtful = np.flatnonzero(has_stored[group])
    if len(doubtful) == 0 and not contested.any():
        return outcomes
    frame = load_rows()
    if len(doubtful):
        here = np.bincount(group, minlength=groups)[stored_group] > 0
        _match(
            read, record_identity, frame, list(stated_columns), outcomes, doubtful, group,
            known[here], stored_group[here], contested, to_the_second=to_the_second,
        )  # fmt: skip
    outcomes.contested[:] = contested[group]
    if outcomes.contested.any():
        _classify_contested(
            read,
            record_identity,
            frame,
            list(stated_columns),
            outcomes,
            written,
            to_the_second=to_the_second,
        )
    return outcomes


def _when(frame: pd.DataFrame, record_identity: RecordIdentity) -> pd.Series:
    time = frame[record_identity.time].astype("int64")
    return time - time % MINUTE_US if record_identity.several_per_minute else time


def _unclear(
    frame: pd.DataFrame, record_identity: RecordIdentity, group: Ints, *, to_the_second: bool
) -> Bools:
    """Rows that other rows of the file may repeat or contradict."""
    if not record_identity.several_per_minute:
        same = group
    elif to_the_second:
        same, _ = coded(pd.Series(group), frame[record_identity.time])
    elif "splice_number" in frame:
        same, _ = coded(pd.Series(group), frame["splice_number"])
    else:
        return np.zeros(len(frame), bool)
    twice: Bools = np.bincount(same)[same] > 1
    if record_identity.several_per_minute and not to_the_second:
        twice &= frame["splice_number"].notna().to_numpy()
    return twice


def _match(
    read: Reader,
    record_identity: RecordIdentity,
    frame: pd.DataFrame,
    stated_columns: list[str],
    outcomes: RowOutcomes,
    doubtful: Ints,
    group: Ints,
    known: pd.DataFrame,
    stored_group: Ints,
    contested: Bools,
    *,
    to_the_second: bool,
) -> None:
    """Find the stored row that each doubtful row repeats; without one, its group is contested."""
    content = [
        name
        for name in stated_columns
        if name not in record_identity.subject and name != record_identity.time
    ]
    old = _stored(read, record_identity, frame, [record_identity.time, *content])
    old = old[old["id"].isin(known["id"])].reset_index(drop=True)
    new = frame.iloc[doubtful]
    same, _ = coded(
        pd.Series(np.concatenate([stored_group, group[doubtful]])),
        *(_stacked(old[name], new[name]) for name in (record_identity.time, *content)),
    )
    old_same, new_same = same[: len(old)], same[len(old) :]
    rank = _rank(new_same)
    by_content = np.argsort(old_same, kind="stable")
    count = np.bincount(old_same, minlength=int(same.max()) + 1)
    first = np.cumsum(count) - count
    twin = rank < count[new_same]
    outcomes.outcome[doubtful[twin]] = STORED
    ids = old["id"].to_numpy(np.int64)
    outcomes.stored_id[doubtful[twin]] = ids[by_content[first[new_same[twin]] + rank[twin]]]
    contested[group[doubtful[~twin]]] = True
    files = source_files(read, record_identity)
    has_seconds = {import_id: file.has_seconds for import_id, file in files.items()}
    other = known["import_id"].map(has_seconds).to_numpy(bool) != to_the_second
    if record_identity.several_per_minute:
        contested[stored_group[other]] = True
    contested[stored_group[known["id"].isin(_disputed(read, record_identity, ids)).to_numpy()]] = (
        True
    )


def _disputed(read: Reader, record_identity: RecordIdentity, ids: Ints) -> set[int]:
    """Ids of the stored rows that have another version."""
    claims, conflicts, imports = (
        table.columns for table in (schema.source_rows, schema.conflicts, schema.imports)
    )
    queries = [
        (
            "record_id",
            select(claims.id, claims.record_id).where(
                id_condition(claims.record_id, ids, claims.kind == record_identity.kind),
                claims.record.is_not(None),
            ),
        ),
        (
            "stored_id",
            select(conflicts.id, conflicts.stored_id)
            .join_from(schema.conflicts, schema.imports, conflicts.import_id == imports.id)
            .where(id_condition(conflicts.stored_id, ids, imports.kind == record_identity.kind)),
        ),
    ]
    return {number for name, query in queries for number in read(query)[name].tolist()}


def _classify_contested(
    read: Reader,
    record_identity: RecordIdentity,
    frame: pd.DataFrame,
    stated_columns: list[str],
    outcomes: RowOutcomes,
    written: WrittenRows,
    *,
    to_the_second: bool,
) -> None:
    rows = np.flatnonzero(outcomes.contested)
    groups: dict[Any, list[SourceRow]] = {}
    names = [
        name for name in frame.columns if name in stated_columns or name in record_identity.subject
    ]
    wanted = list(dict.fromkeys([*names, *record_identity.subject, record_identity.time]))
    for row, values in zip(rows.tolist(), stored_values(frame.iloc[rows][wanted]), strict=True):
        key = candidate_key(
            record_identity,
            [values[name] for name in record_identity.subject],
            values[record_identity.time],
            written,
        )
        claim = SourceRow(
            (_LAST, row),
            to_the_second,
            values[record_identity.time],
            row_values(record_identity, values, stated_columns),
        )
        groups.setdefault(key, []).append(claim)
    stored = load_candidates(read, record_identity, groups)
    for key, claims in groups.items():
        _classify_group(record_identity, claims, stored.get(key), outcomes)


def _classify_group(
    record_identity: RecordIdentity,
    claims: list[SourceRow],
    stored: EventCandidates | None,
    outcomes: RowOutcomes,
) -> None:
    for event in match_with_written([*(stored.rows if stored else ()), *claims], record_identity):
        ordered = event.rows
        owner = ordered[0]
        rivals = {id(version.rows[0]) for version in event.versions[1:]}
        for claim in ordered:
            if claim.origin[0] != _LAST:
                continue
            row = claim.origin[1]
            outcomes.outcome[row] = (
                NEW if claim is owner else CONFLICT if id(claim) in rivals else STORED
            )
            outcomes.stored_id[row] = outcomes.file_row[row] = -1
            if claim is not owner and owner.origin[0] == _LAST:
                outcomes.file_row[row] = owner.origin[1]
            elif claim is not owner:
                outcomes.stored_id[row] = owner.record_id


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


def _stored(
    read: Reader, record_identity: RecordIdentity, frame: pd.DataFrame, columns: Iterable[str]
) -> pd.DataFrame:
    """Stored rows of the same splicers or places in the frame's ranges of time, by id."""
    columns_of = schema.RECORDS[record_identity.kind].columns
    names = dict.fromkeys(["id", *columns])
    times = np.asarray(frame[record_identity.time].astype("int64"), dtype=np.int64)
    owners = {name: set(frame[name].dropna().unique().tolist()) for name in record_identity.subject}
    return read(
        select(*(columns_of[name] for name in names)).where(
            near_condition(record_identity, owners, times)
        )
    )
