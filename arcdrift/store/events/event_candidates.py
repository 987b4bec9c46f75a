"""Reads the rows that may report the same event: those of one splicer's minute or place's instant.

Such a set of rows is called candidates. Its key is the subject (splicer, place or asset) and a
range of time: rows with different keys never report the same event. The range is a minute or an
instant, and wider around what was written down by hand (`arcdrift.store.events.written_rows`).
"""

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import ColumnElement, Select, or_, select

from arcdrift.arrays import Ints
from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.events.record_matching import MINUTE_US, RecordIdentity, SourceRow, Values
from arcdrift.store.events.written_joins import nearness_us
from arcdrift.store.events.written_rows import WrittenRows, written_rows

Reader = Callable[[Select[Any]], pd.DataFrame]
"""Runs a query on the store and returns its rows as a frame by id."""
Key = tuple[Any, ...]
"""Subject of candidates, and their first and last microsecond."""

_GAP_US = 7 * 86_400_000_000
_GAP_IDS = 1000
_MAX_RANGES = 40


@dataclass
class EventCandidates:
    """What the store holds of one splicer's minute, or one place's instant.

    Attributes
    ----------
    subject : dict
        Columns that name the splicer, place or asset.
    records : dict of int to dict
        Stored records by id, their time in microseconds, None for missing.
    rows : list of SourceRow
        Every row that reports one of them, also the rows that became the records.
    conflicts : list of dict
        Their rows of the table ``conflicts``.
    source_row_ids : list of int
        Ids of their rows of the table ``source_rows``.
    """

    subject: Values
    records: dict[int, dict[str, Any]] = field(default_factory=dict)
    rows: list[SourceRow] = field(default_factory=list)
    conflicts: list[dict[str, Any]] = field(default_factory=list)
    source_row_ids: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class SourceFile:
    """What an imported file has: its columns, times with seconds, dates without a time of day."""

    columns: tuple[str, ...]
    has_seconds: bool
    dates_alone: bool


def candidate_key(
    identity: RecordIdentity, subject: Sequence[Any], time_us: int, written: WrittenRows
) -> Key:
    """Key of the candidates that a row belongs to."""
    span = written.span(tuple(subject), time_us)
    if span is not None:
        return (*subject, *span)
    if not identity.several_per_minute:
        return (*subject, time_us, time_us)
    minute = time_us - time_us % MINUTE_US
    return (*subject, minute, minute + MINUTE_US - 1)


def source_files(read: Reader, identity: RecordIdentity) -> dict[int, SourceFile]:
    """Imported files of a kind by import; one without a list of columns is taken to have all."""
    imports = schema.imports.columns
    query = select(imports.id, imports.given, imports.to_the_second, imports.dates_alone).where(
        imports.kind == identity.kind
    )
    all_columns = tuple(schema.RECORDS[identity.kind].columns.keys())
    return {
        row["id"]: SourceFile(
            all_columns if row["given"] is None else tuple(json.loads(row["given"])),
            row["to_the_second"] is not False and row["to_the_second"] != 0,
            bool(row["dates_alone"]),
        )
        for row in stored_values(read(query))
    }


def candidate_keys(read: Reader, identity: RecordIdentity, ids: Collection[int]) -> set[Key]:
    """Keys of the candidates that some stored records belong to."""
    if not ids:
        return set()
    columns = schema.RECORDS[identity.kind].columns
    names = ("id", identity.time, *identity.subject)
    query = select(*(columns[name] for name in names)).where(id_condition(columns.id, ids))
    frame = read(query)
    return keys_of_rows(read, identity, stored_values(frame[frame["id"].isin(list(ids))]))


def keys_of_rows(read: Reader, identity: RecordIdentity, rows: Sequence[Values]) -> set[Key]:
    """Keys of the candidates that rows, as stored, belong to."""
    written = written_rows(read, identity, {row[identity.subject[0]] for row in rows})
    return {
        candidate_key(
            identity, [row[name] for name in identity.subject], row[identity.time], written
        )
        for row in rows
    }


def load_candidates(
    read: Reader, identity: RecordIdentity, keys: Collection[Key]
) -> dict[Key, EventCandidates]:
    """Read the candidates with these keys; keys without a stored record are left out."""
    found: dict[Key, EventCandidates] = {}
    if not keys:
        return found
    names = {name: {key[i] for key in keys} for i, name in enumerate(identity.subject)}
    written = written_rows(read, identity, names[identity.subject[0]])
    table = schema.RECORDS[identity.kind]
    frame = read(select(table).where(near_condition(identity, names, _times_within(keys))))
    times = frame[identity.time].astype("int64")
    if identity.several_per_minute:
        times = times - times % MINUTE_US
    first_times = np.array([key[-2] for key in keys], np.int64)
    near = times.isin(first_times) | written.in_spans(frame, identity)
    by_record: dict[int, EventCandidates] = {}
    for record in stored_values(frame[near]):
        subject = {name: record[name] for name in identity.subject}
        key = candidate_key(identity, list(subject.values()), record[identity.time], written)
        if key in keys:
            candidates = found.setdefault(key, EventCandidates(subject))
            candidates.records[record["id"]] = record
            by_record[record["id"]] = candidates
    if by_record:
        _add_rows(read, identity, by_record, written)
    return found


def _times_within(keys: Collection[Key]) -> Ints:
    """First and last times of keys, and of long ones some between, none far from the next."""
    ends = np.array([key[-2:] for key in keys], np.int64)
    long = ends[ends[:, 1] - ends[:, 0] > _GAP_US]
    between = [np.arange(first, last, _GAP_US, dtype=np.int64) for first, last in long]
    return np.concatenate([ends.ravel(), *between])


def _add_rows(
    read: Reader,
    identity: RecordIdentity,
    by_record: Mapping[int, EventCandidates],
    written: WrittenRows,
) -> None:
    """Add the rows and conflicts of records to their candidates."""
    files = source_files(read, identity)
    source_row = partial(_source_row, identity, files, written)
    rows, conflicts, imports = (
        table.columns for table in (schema.source_rows, schema.conflicts, schema.imports)
    )
    query = select(schema.source_rows).where(
        id_condition(rows.record_id, by_record, rows.kind == identity.kind)
    )
    added: set[tuple[int, int]] = set()
    for row in _with_ids(read(query), "record_id", by_record):
        candidates = by_record[row["record_id"]]
        if row["record"] is None:
            record = candidates.records[row["record_id"]]
            time_us = record[identity.time]
            if identity.several_per_minute and not files[row["import_id"]].has_seconds:
                time_us -= time_us % MINUTE_US
        else:
            record = json.loads(row["record"])
            time_us = microseconds(datetime.fromisoformat(record[identity.time]))
        added.add((row["import_id"], row["line"]))
        candidates.source_row_ids.append(row["id"])
        candidates.rows.append(source_row(row, row["record_id"], record, time_us))
    query = (
        select(schema.conflicts)
        .join_from(schema.conflicts, schema.imports, conflicts.import_id == imports.id)
        .where(id_condition(conflicts.stored_id, by_record, imports.kind == identity.kind))
    )
    for row in _with_ids(read(query), "stored_id", by_record):
        candidates, record = by_record[row["stored_id"]], json.loads(row["record"])
        time_us = microseconds(datetime.fromisoformat(record[identity.time]))
        candidates.conflicts.append(row)
        candidates.rows.append(source_row(row, row["stored_id"], record, time_us))
    for record_id, candidates in by_record.items():
        record = candidates.records[record_id]
        if (record["import_id"], record["line"]) not in added:
            candidates.rows.append(source_row(record, record_id, record, record[identity.time]))


def row_values(
    identity: RecordIdentity, record: Values, file_columns: Iterable[str]
) -> dict[str, Any]:
    """Values of the columns that a row's file has, without subject and time."""
    key = {*identity.subject, identity.time}
    return {name: record.get(name) for name in file_columns if name not in key and name in record}


def row_json(identity: RecordIdentity, subject: Values, time_us: int, values: Values) -> str:
    """A whole row as JSON, its numbers to the last digit."""
    time = datetime.fromtimestamp(time_us // 1_000_000, UTC).replace(
        microsecond=time_us % 1_000_000
    )
    origin = ("id", "import_id", "line")
    columns = schema.RECORDS[identity.kind].columns.keys()
    names = [name for name in columns if name not in origin]
    row = {**dict.fromkeys(names), **values, **subject}
    row[identity.time] = time.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return json.dumps({name: row[name] for name in names}, ensure_ascii=False)


def stored_values(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a frame with values as stored: microseconds for instants, None for missing."""
    if frame.empty:
        return []
    columns = {}
    for name in frame.columns:
        values = frame[name]
        if isinstance(values.dtype, pd.DatetimeTZDtype):
            missing = values.isna()
            values = values.dt.as_unit("us").astype("int64").astype(object).mask(missing, None)
        else:
            values = values.astype(object).where(values.notna(), None)
        columns[str(name)] = values.tolist()
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def near_condition(
    identity: RecordIdentity, names: Mapping[str, Collection[Any]], times: Ints
) -> ColumnElement[bool]:
    """SQL condition for records of the named subjects around some times, and few others."""
    columns = schema.RECORDS[identity.kind].columns
    of_subjects = [
        columns[name].in_(sorted(known))
        for name in ("site", "splicer", "station", "asset")
        if name in identity.subject
        and (known := {value for value in names[name] if isinstance(value, str)})
    ]
    in_ranges = [
        columns[identity.time].between(
            first - first % MINUTE_US, last - last % MINUTE_US + MINUTE_US - 1
        )
        for first, last in _ranges(times, _GAP_US)
    ]
    # written out for each range, or the index by name and time is used for the name only
    return or_(*(in_range & of_subject for in_range in in_ranges for of_subject in of_subjects))


def id_condition(
    column: ColumnElement[Any], ids: Iterable[int], condition: ColumnElement[bool] | None = None
) -> ColumnElement[bool]:
    """SQL condition for rows with these ids, and few others, that meet another condition."""
    ranges = _ranges(np.fromiter(ids, np.int64), _GAP_IDS)
    in_ranges = [column.between(first, last) for first, last in ranges]
    # the other condition is repeated for each range, or an index by both columns is not used
    return or_(*(range_ if condition is None else condition & range_ for range_ in in_ranges))


def _ranges(values: Ints, max_gap: int) -> list[tuple[int, int]]:
    """Ranges that hold some times or ids, so that a single remote one does not widen a query.

    The values are parted at gaps wider than `max_gap`, at the widest where there are many.
    """
    ordered = np.sort(values)
    gaps = np.diff(ordered)
    wide = np.flatnonzero(gaps > max_gap)
    if len(wide) >= _MAX_RANGES:
        wide = np.sort(wide[np.argsort(gaps[wide])[-(_MAX_RANGES - 1) :]])
    first = ordered[np.concatenate([[0], wide + 1])]
    last = ordered[np.concatenate([wide, [len(ordered) - 1]])]
    return list(zip(first.tolist(), last.tolist(), strict=True))


def _with_ids(frame: pd.DataFrame, column: str, ids: Mapping[int, Any]) -> list[dict[str, Any]]:
    """Rows of a query by `id_condition` that have one of the ids."""
    return stored_values(frame[frame[column].isin(list(ids))])


def _source_row(
    identity: RecordIdentity,
    files: Mapping[int, SourceFile],
    written: WrittenRows,
    row: Values,
    record_id: int,
    record: Values,
    time_us: int,
) -> SourceRow:
    by_hand = written.by_import.get(row["import_id"])
    if by_hand is not None:  # its record may have values of the log that it was joined with
        return SourceRow(
            origin=(row["import_id"], row["line"]),
            has_seconds=True,
            time_us=by_hand.time_us,
            values=by_hand.values,
            record_id=record_id,
            raw=row.get("raw") or "",
            near_us=nearness_us(by_hand.subject),
        )
    file = files[row["import_id"]]
    return SourceRow(
        origin=(row["import_id"], row["line"]),
        has_seconds=file.has_seconds,
        time_us=time_us,
        values=row_values(identity, record, file.columns),
        record_id=record_id,
        raw=row.get("raw") or "",
        date_alone=file.dates_alone,
    )
