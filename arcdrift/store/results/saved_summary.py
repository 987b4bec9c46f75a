"""Keeps the summary of past days between analyses, and tells from when on it is out of date."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import pandas as pd
import pyarrow as pa
from sqlalchemy import Connection, Engine, and_, delete, func, insert, or_, select

from arcdrift.store import schema
from arcdrift.store.database.connect import reading

_ABOUT = "about"
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
    contents : dict of bytes
        Frames as they are stored.
    """

    about: dict[str, Any]
    contents: dict[str, bytes]

    @classmethod
    def of(cls, about: dict[str, Any], frames: Mapping[str, pd.DataFrame]) -> "SavedSummary":
        """Summary of frames with the default index."""
        return cls(about, {name: _content(frame) for name, frame in frames.items()})

    def frames(self) -> dict[str, pd.DataFrame]:
        """Frames, with the column types that storing gives them."""
        return {name: _frame(content) for name, content in self.contents.items()}


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
    contents = {row.name: row.content for row in rows}
    if _ABOUT not in contents:
        return None
    about = json.loads(contents.pop(_ABOUT))
    return SavedSummary(about, contents)


def replace_saved_summary(
    connection: Connection, saved: SavedSummary, changes: Mapping[tuple[str, int], int]
) -> None:
    """Keep a summary of past days instead of the present one, in an open transaction.

    Parameters
    ----------
    changes : mapping
        `RecordMarks.changes` that the summary already contains.
    """
    connection.execute(delete(schema.saved_summary))
    rows = [{"name": _ABOUT, "content": json.dumps(saved.about).encode()}]
    rows += [{"name": name, "content": content} for name, content in saved.contents.items()]
    connection.execute(insert(schema.saved_summary), rows)
    changed = schema.changed_days.columns
    seen = [
        and_(changed.kind == kind, changed.day == day, changed.version == version)
        for (kind, day), version in changes.items()
    ]
    for first in range(0, len(seen), 100):
        connection.execute(delete(schema.changed_days).where(or_(*seen[first : first + 100])))


def _content(frame: pd.DataFrame) -> bytes:
    table = pa.Table.from_pandas(frame, preserve_index=False)
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
