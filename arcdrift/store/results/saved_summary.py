"""Keeps the summary of past days between analyses, and tells from when on it is out of date."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import pandas as pd
import pyarrow as pa
from sqlalchemy import Connection, Engine, and_, delete, func, insert, or_, select

from arcdrift.store import schema
from arcdrift.store.database.connect import reading

_ABOUT = "about"
CHARTS = "charts"
"""Part that holds the states of charts."""
_DAY = pd.Timedelta(days=1)


class RecordMarks(NamedTuple):
    """State of the records when an analysis began to read them.

    Attributes
    ----------
    newest : dict of int
        Highest id given to a record, by kind.
    changes : dict
        Version of each day on which records were changed or deleted, by kind and day.
    """

    newest: dict[str, int]
    changes: dict[tuple[str, int], int]


@dataclass(frozen=True)
class SavedSummary:
    """Summary of past days.

    Attributes
    ----------
    about : dict
        JSON of what it rests on.
    contents : dict of dict of bytes
        Frames as they are stored, by part and name.
    stored : tuple of str
        Parts that are stored already, and stay.
    """

    about: dict[str, Any]
    contents: dict[str, dict[str, bytes]]
    stored: tuple[str, ...] = ()

    @classmethod
    def of(
        cls,
        about: dict[str, Any],
        parts: Mapping[str, Mapping[str, pd.DataFrame]],
        stored: Iterable[str] = (),
    ) -> "SavedSummary":
        """Summary of frames with the default index, by part and name."""
        contents = {
            part: {name: _content(frame) for name, frame in frames.items()}
            for part, frames in parts.items()
        }
        return cls(about, contents, tuple(stored))

    def frames(self, part: str) -> dict[str, pd.DataFrame]:
        """Frames of a part, with the column types that storing gives them."""
        return {name: _frame(content) for name, content in self.contents.get(part, {}).items()}


def record_marks(engine: Engine) -> RecordMarks:
    """Return the state of the records, as it is now."""
    changed = schema.changed_days
    with reading(engine) as connection:
        newest = {
            kind: int(connection.execute(select(func.max(table.columns.id))).scalar() or 0)
            for kind, table in schema.RECORDS.items()
        }
        changes = {(row.kind, row.day): row.version for row in connection.execute(select(changed))}
    return RecordMarks(newest, changes)


def earliest_change(engine: Engine, newest: Mapping[str, int]) -> pd.Timestamp | None:
    """Return the earliest time, as logged, of a record that is new, changed or deleted (UTC).

    Parameters
    ----------
    newest : mapping of str to int
        `RecordMarks.newest` of the analysis that is compared with.

    Returns
    -------
    Timestamp or None
        None where nothing has changed.
    """
    found = []
    with reading(engine) as connection:
        for kind, table in schema.RECORDS.items():
            time = table.columns[schema.TIME_COLUMN[kind]]
            new = select(func.min(time)).where(table.columns.id > newest.get(kind, 0))
            first = connection.execute(new).scalar()
            if first is not None:
                found.append(pd.Timestamp(int(first), unit="us", tz="UTC"))
        day = connection.execute(select(func.min(schema.changed_days.columns.day))).scalar()
    if day is not None:
        found.append(pd.Timestamp(int(day) * _DAY.value, unit="ns", tz="UTC"))
    return min(found, default=None)


def read_saved_summary(engine: Engine) -> SavedSummary | None:
    """Return the summary of past days; None where none is kept."""
    with reading(engine) as connection:
        rows = connection.execute(select(schema.saved_summary)).all()
    contents: dict[str, dict[str, bytes]] = {}
    for row in rows:
        contents.setdefault(row.part, {})[row.name] = row.content
    about = contents.pop(_ABOUT, None)
    return None if about is None else SavedSummary(json.loads(about[_ABOUT]), contents)


def read_saved_about(engine: Engine) -> dict[str, Any] | None:
    """Return what the kept summary of past days rests on; None where none is kept."""
    table = schema.saved_summary
    query = select(table.columns.content).where(table.columns.part == _ABOUT)
    with reading(engine) as connection:
        content = connection.execute(query).scalar()
    about: dict[str, Any] | None = None if content is None else json.loads(content)
    return about


def replace_saved_summary(
    connection: Connection, saved: SavedSummary, changes: Mapping[tuple[str, int], int]
) -> None:
    """Keep a summary of past days instead of the present one, in an open transaction.

    States of charts stay while a part of the summary stays.

    Parameters
    ----------
    changes : mapping
        `RecordMarks.changes` that the summary already contains.
    """
    table = schema.saved_summary
    staying = (*saved.stored, CHARTS) if saved.stored else ()
    connection.execute(delete(table).where(table.columns.part.not_in(staying)))
    rows = [{"part": _ABOUT, "name": _ABOUT, "content": json.dumps(saved.about).encode()}]
    rows += [
        {"part": part, "name": name, "content": content}
        for part, contents in saved.contents.items()
        for name, content in contents.items()
    ]
    connection.execute(insert(table), rows)
    changed = schema.changed_days.columns
    seen = [
        and_(changed.kind == kind, changed.day == day, changed.version == version)
        for (kind, day), version in changes.items()
    ]
    for first in range(0, len(seen), 100):
        connection.execute(delete(schema.changed_days).where(or_(*seen[first : first + 100])))


def keep_chart_states(connection: Connection, states: Mapping[str, bytes]) -> None:
    """Keep new states of charts by name, in an open transaction."""
    table = schema.saved_summary
    of_charts = (table.columns.part == CHARTS, table.columns.name.in_(states))
    connection.execute(delete(table).where(*of_charts))
    if states:
        rows = [{"part": CHARTS, "name": name, "content": each} for name, each in states.items()]
        connection.execute(insert(table), rows)


def _content(frame: pd.DataFrame) -> bytes:
    table = pa.Table.from_pandas(frame, preserve_index=False, nthreads=1)
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression="lz4")
    with pa.ipc.new_stream(sink, table.schema, options=options) as writer:
        writer.write_table(table)
    content: bytes = sink.getvalue().to_pybytes()
    return content


def _frame(content: bytes) -> pd.DataFrame:
    with pa.ipc.open_stream(content) as reader:
        frame: pd.DataFrame = reader.read_all().to_pandas(date_as_object=False)
    return frame
