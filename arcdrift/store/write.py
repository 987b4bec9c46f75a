"""Writes records and results; every function works inside one transaction."""

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
from adbc_driver_manager import Error as ArrowError
from adbc_driver_sqlite import dbapi
from sqlalchemy import Connection, Engine, Table, delete, exists, func, insert, select, update

from arcdrift.errors import StoreTrouble, UsageError
from arcdrift.scratch import scratch_folder
from arcdrift.store import schema
from arcdrift.store.connect import writing
from arcdrift.store.corrected_rows import close_again, mended_by
from arcdrift.store.event_candidates import keys_of, sources_of
from arcdrift.store.fetch import fetch_within
from arcdrift.store.frames import to_arrow
from arcdrift.store.rebuild_records import resettle
from arcdrift.store.record_matching import SHAPES
from arcdrift.times import microseconds

QUARANTINE = "quarantine"
"""Kind of a claim that repeats a quarantined row instead of a record."""

_BULK_ROWS = 20_000
"""Rows from which a detour through a staging file is faster than row by row."""
_BATCH_ROWS = 100_000
_MOST_ATTACHED = 9
"""SQLite holds 10 attached files; they stay attached until the transaction ends."""


def add_rows(
    connection: Connection,
    table: Table,
    frame: pd.DataFrame,
    *,
    progress: Callable[[int], None] | None = None,
) -> None:
    """Add the rows of a frame to a table, inside the connection's transaction.

    Parameters
    ----------
    connection : Connection
        From `arcdrift.store.connect.writing`.
    frame : DataFrame
        Columns named as in `table`; aware times become microseconds UTC, columns left out
        stay NULL.
    progress : callable, optional
        Called with the rows written so far.
    """
    if frame.empty:
        return
    rows = to_arrow(frame, table)
    if connection.dialect.name != "sqlite":
        connection.execute(insert(table), rows.to_pylist())
    elif rows.num_rows < _BULK_ROWS or _attached(connection) >= _MOST_ATTACHED:
        _row_by_row(connection, table, rows)
    else:
        _through_staging(connection, table, rows, progress)


def add_import(connection: Connection, values: Mapping[str, Any]) -> int:
    """Add the row of an import and return its id."""
    done = connection.execute(insert(schema.imports).values(**values))
    key = done.inserted_primary_key
    assert key is not None  # noqa: S101 - a single-row insert always has one
    return int(key[0])


def replace_results(engine: Engine, frames: Mapping[str, pd.DataFrame]) -> None:
    """Replace the results of the last analysis, all of them, in one transaction.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Rows by result table name (`arcdrift.store.schema.RESULTS`); a result table that is
        left out ends up empty. Columns that the table does not have are not stored.
    """
    strange = sorted(set(frames) - set(schema.RESULTS))
    if strange:
        raise ValueError(f"not a result table: {', '.join(strange)}")
    with writing(engine) as connection:
        for name, table in schema.RESULTS.items():
            connection.execute(delete(table))
            if name in frames:
                add_rows(connection, table, stored_columns(name, frames[name]))


def stored_columns(table_name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Keep the columns of a frame that the table has, in the table's order."""
    columns = schema.RESULTS[table_name].columns.keys()
    return frame[[name for name in columns if name in frame.columns]]


def undo(engine: Engine, import_id: int) -> None:
    """Take back an import and mark it undone: the rest stands as if it had never been.

    What other imports say as well stays and becomes theirs; rows that were in conflict with
    rows of this import are settled anew; quarantined rows that it mended are open again.

    Raises
    ------
    UsageError
        When there is no such import, or it was undone before.
    """
    imports = schema.imports
    with writing(engine) as connection:
        row = connection.execute(
            select(imports.columns.undone_at, imports.columns.kind).where(
                imports.columns.id == import_id
            )
        ).one_or_none()
        if row is None:
            last = connection.execute(select(func.max(imports.columns.id))).scalar()
            known = "nothing was imported yet" if last is None else f"the last one is {last}"
            raise UsageError(f"There is no import {import_id}; {known}.")
        if row.undone_at is not None:
            raise UsageError(f"Import {import_id} was undone before; nothing was changed.")
        mended = mended_by(connection, import_id)
        _hand_over_quarantine(connection, import_id)
        _hand_over_records(connection, row.kind, import_id)
        for table in (
            schema.claims,
            schema.conflicts,
            schema.quarantine,
            schema.RECORDS[row.kind],
        ):
            connection.execute(delete(table).where(table.columns.import_id == import_id))
        now = microseconds(datetime.now(UTC))
        connection.execute(
            update(imports).where(imports.columns.id == import_id).values(undone_at=now)
        )
        if mended:
            close_again(connection, import_id)


def _hand_over_quarantine(connection: Connection, import_id: int) -> None:
    """Open what an import closed; leave what others quarantined too to the first of them."""
    kept, said = schema.quarantine.columns, schema.claims.columns
    again = update(schema.quarantine).where(kept.closed_by == import_id)
    connection.execute(again.values(closed_by=None, closed_at=None))
    query = (
        select(said.id, said.record_id, said.import_id, said.line, said.record)
        .join_from(schema.claims, schema.quarantine, said.record_id == kept.id)
        .where(said.kind == QUARANTINE, kept.import_id == import_id, said.import_id != import_id)
        .order_by(said.import_id, said.line)
    )
    heirs: dict[int, Any] = {}
    for row in connection.execute(query):
        heirs.setdefault(row.record_id, row)
    for number, heir in heirs.items():
        values = json.loads(heir.record) | {"import_id": heir.import_id, "line": heir.line}
        connection.execute(update(schema.quarantine).where(kept.id == number).values(values))
        connection.execute(delete(schema.claims).where(said.id == heir.id))


def _hand_over_records(connection: Connection, kind: str, import_id: int) -> None:
    """Settle what others say of rows of an import; leave plain repeats to the first of them."""
    shape, table = SHAPES[kind], schema.RECORDS[kind]
    reader = partial(fetch_within, connection, order=["id"])
    said, apart, own = schema.claims.columns, schema.conflicts.columns, table.columns
    sources = sources_of(reader, shape)
    mine = sources[import_id]
    alike = {
        number
        for number, other in sources.items()
        if set(other.given) == set(mine.given) and other.exact == mine.exact
    }
    its_rows = select(own.id).where(own.import_id == import_id)
    of_kind = select(schema.imports.columns.id).where(schema.imports.columns.kind == kind)
    ids: set[int] = set()
    for query in (
        select(said.record_id).where(
            said.kind == kind, said.import_id == import_id, said.record.is_not(None)
        ),
        select(said.record_id).where(
            said.kind == kind,
            said.record_id.in_(its_rows),
            said.record.is_not(None) | said.import_id.not_in(sorted(alike)),
        ),
        select(apart.stored_id).where(apart.import_id == import_id),
        select(apart.stored_id).where(apart.import_id.in_(of_kind), apart.stored_id.in_(its_rows)),
    ):
        ids.update(connection.execute(query).scalars())
    resettle(connection, shape, keys_of(reader, shape, ids), without=import_id)
    connection.execute(delete(schema.claims).where(said.import_id == import_id))
    heir = (
        select(said.import_id, said.line)
        .where(said.kind == kind, said.record_id == own.id, said.record.is_(None))
        .order_by(said.import_id, said.line)
        .limit(1)
    )
    first = {
        name: heir.with_only_columns(said[name]).correlate(table).scalar_subquery()
        for name in ("import_id", "line")
    }
    inherited = own.import_id == import_id
    left = exists().where(said.kind == kind, said.record_id == own.id, said.record.is_(None))
    connection.execute(update(table).where(inherited, left).values(first))
    theirs = exists().where(
        own.id == said.record_id, own.import_id == said.import_id, own.line == said.line
    )
    connection.execute(
        delete(schema.claims).where(said.kind == kind, said.record.is_(None), theirs)
    )


def _insert_columns(table: Table, rows: pa.Table) -> tuple[str, str]:
    columns = ", ".join(f'"{name}"' for name in rows.column_names)
    return f'"{table.name}"', columns


def _row_by_row(connection: Connection, table: Table, rows: pa.Table) -> None:
    name, columns = _insert_columns(table, rows)
    marks = ", ".join("?" * rows.num_columns)
    values = [column.to_pylist() for column in rows.columns]
    connection.exec_driver_sql(
        f"INSERT INTO {name} ({columns}) VALUES ({marks})",  # noqa: S608 - names of our schema
        list(zip(*values, strict=True)),
    )


def _attached(connection: Connection) -> int:
    return len(connection.exec_driver_sql("PRAGMA database_list").all()) - 1


@contextmanager
def staging_errors(path: Path) -> Iterator[None]:
    """Turn what the Arrow driver says of a staging file into a sentence to act on."""
    try:
        yield
    except ArrowError as problem:
        said = " ".join(str(problem).split()).rstrip(".")
        raise StoreTrouble(
            f"The temporary folder {path.parent.parent} cannot take the rows on their way into "
            f"the store ({said}); make room there, or set TMPDIR to another folder."
        ) from problem


def _through_staging(
    connection: Connection,
    table: Table,
    rows: pa.Table,
    progress: Callable[[int], None] | None,
) -> None:
    # Arrow writes a file of its own; the store's own connection then copies it over, so that
    # all of an import stays in one transaction and no second library touches the store
    name, columns = _insert_columns(table, rows)
    staging = f"staging{_attached(connection)}"

    def batches() -> Iterator[pa.RecordBatch]:
        done = 0
        for batch in rows.to_batches(max_chunksize=_BATCH_ROWS):
            yield batch
            done += batch.num_rows
            if progress is not None:
                progress(done)

    with scratch_folder() as folder:
        path = str(folder / "staging.db")
        with (
            staging_errors(Path(path)),
            dbapi.connect(path, autocommit=True) as stage,
            stage.cursor() as cursor,
        ):
            for pragma in ("journal_mode=OFF", "synchronous=OFF", "locking_mode=EXCLUSIVE"):
                cursor.execute(f"PRAGMA {pragma}")
            reader = pa.RecordBatchReader.from_batches(rows.schema, batches())
            cursor.adbc_ingest("rows", reader, mode="create")
        connection.exec_driver_sql(f"ATTACH DATABASE ? AS {staging}", (path,))
        connection.exec_driver_sql(
            f"INSERT INTO {name} ({columns}) "  # noqa: S608 - names of our schema
            f"SELECT {columns} FROM {staging}.rows"
        )
