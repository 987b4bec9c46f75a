"""Reads what was written down by hand, and the spans of time in which logs may report the same.

A hand-written row has no minute of its own: the log of the same event may be some minutes or, for
service, hours apart (`arcdrift.store.events.written_joins`). So all rows in the reach of some
hand-written ones are candidates together; such a range of time is called a span.
"""

import json
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Select, func, select, union

from arcdrift.arrays import Bools, Ints
from arcdrift.store import schema
from arcdrift.store.events.record_matching import MINUTE_US, RecordIdentity
from arcdrift.store.events.written_joins import reach_us

WRITTEN_KINDS = ("arc-checks", "service")
"""Kinds of record that people write down by hand."""
Subject = tuple[Any, ...]


@dataclass(frozen=True)
class WrittenRow:
    """One row that was written down by hand.

    Attributes
    ----------
    subject : tuple
        Its splicer, or its asset and action.
    time_us : int
        Microseconds UTC.
    values : dict
        The other columns that were filled in.
    """

    subject: Subject
    time_us: int
    values: dict[str, Any]


@dataclass(frozen=True)
class WrittenRows:
    """The rows of some subjects that were written down by hand and not undone.

    Attributes
    ----------
    by_import : dict
        Rows by the import that each one is.
    spans : dict
        Disjoint ranges of time by subject, ordered: first and last microsecond of each. They begin
        and end with a minute.
    """

    by_import: dict[int, WrittenRow] = field(default_factory=dict)
    spans: dict[Subject, tuple[Ints, Ints]] = field(default_factory=dict)

    def span(self, subject: Subject, time_us: int) -> tuple[int, int] | None:
        """Return the span that an instant of a subject lies in, None for none."""
        if subject not in self.spans:
            return None
        starts, ends = self.spans[subject]
        place = int(np.searchsorted(starts, time_us, side="right")) - 1
        if place < 0 or time_us > ends[place]:
            return None
        return int(starts[place]), int(ends[place])

    def in_spans(self, frame: pd.DataFrame, identity: RecordIdentity) -> Bools:
        """Whether each row of a frame, with the columns of the identity, lies in a span."""
        inside = np.zeros(len(frame), bool)
        if not self.spans or frame.empty:
            return inside
        times = np.asarray(frame[identity.time].astype("int64"), dtype=np.int64)
        for subject, (starts, ends) in self.spans.items():
            here = np.ones(len(frame), bool)
            for name, value in zip(identity.subject, subject, strict=True):
                here &= (frame[name] == value).fillna(False).to_numpy(bool)
            rows = np.flatnonzero(here)
            place = np.searchsorted(starts, times[rows], side="right") - 1
            inside[rows] = (place >= 0) & (times[rows] <= ends[np.maximum(place, 0)])
        return inside


def written_rows(
    read: Callable[[Select[Any]], pd.DataFrame],
    identity: RecordIdentity,
    names: Collection[Any],
) -> WrittenRows:
    """Read what was written down by hand about some splicers or assets.

    Parameters
    ----------
    read : callable
        Runs a query on the store and returns its rows as a frame by id.
    names : collection
        Values of the identity's first column.
    """
    known = sorted({name for name in names if isinstance(name, str)})
    if identity.kind not in WRITTEN_KINDS or not known:
        return WrittenRows()
    written, imports = schema.written.columns, schema.imports.columns
    query = (
        select(written.id, written.import_id, written.subject, written.happened_at, written.record)
        .join_from(schema.written, schema.imports, written.import_id == imports.id)
        .where(
            written.kind == identity.kind,
            written.subject.in_(known),
            imports.undone_at.is_(None),
        )
    )
    by_import: dict[int, WrittenRow] = {}
    frame = read(query)
    for import_id, name, time, document in zip(
        frame["import_id"].tolist(),
        frame["subject"].tolist(),
        frame["happened_at"].astype("int64").tolist(),
        frame["record"].tolist(),
        strict=True,
    ):
        values = json.loads(document)
        others = tuple(values.pop(column) for column in identity.subject[1:])
        by_import[int(import_id)] = WrittenRow((name, *others), int(time), values)
    return WrittenRows(by_import, _spans(by_import.values()))


def count_joined(connection: Connection, identity: RecordIdentity, import_id: int) -> int:
    """Number of records of an import with which something written down by hand is one event."""
    if identity.kind not in WRITTEN_KINDS:
        return 0
    records = schema.RECORDS[identity.kind].columns
    rows, conflicts = schema.source_rows.columns, schema.conflicts.columns
    written = select(schema.written.columns.import_id)
    joined = union(
        select(rows.record_id).where(rows.kind == identity.kind, rows.import_id.in_(written)),
        select(conflicts.stored_id).where(conflicts.import_id.in_(written)),
    )
    count = select(func.count()).where(
        records.import_id == import_id, records.id.in_(joined), ~records.import_id.in_(written)
    )
    return int(connection.execute(count).scalar_one())


def _spans(rows: Collection[WrittenRow]) -> dict[Subject, tuple[Ints, Ints]]:
    """Merge the reaches of rows of one subject where they overlap."""
    reaches: dict[Subject, list[tuple[int, int]]] = {}
    for row in rows:
        before, after = reach_us(row.subject)
        start, end = row.time_us - before, row.time_us + after
        start, end = start - start % MINUTE_US, end - end % MINUTE_US + MINUTE_US - 1
        reaches.setdefault(row.subject, []).append((start, end))
    return {subject: _merged(ranges) for subject, ranges in reaches.items()}


def _merged(ranges: list[tuple[int, int]]) -> tuple[Ints, Ints]:
    merged: list[list[int]] = []
    for start, end in sorted(ranges):
        if merged and start <= merged[-1][1] + 1:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    both = np.array(merged, np.int64)
    return both[:, 0], both[:, 1]
