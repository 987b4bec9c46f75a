"""Writes records and results; every function works inside one transaction."""

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
from adbc_driver_manager import Error as ArrowError
from adbc_driver_sqlite import dbapi
from sqlalchemy import Connection, Engine, Table, delete, func, insert, select, update

from arcdrift.errors import StoreTrouble, UsageError
from arcdrift.store import schema
from arcdrift.store.connect import writing
from arcdrift.store.frames import microseconds, to_arrow

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
    rows = to_arrow(frame, table)
    if rows.num_rows == 0:
        return
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
        left out ends up empty.
    """
    tables = {table.name: table for table in schema.RESULTS}
    strange = sorted(set(frames) - set(tables))
    if strange:
        raise ValueError(f"not a result table: {', '.join(strange)}")
    with writing(engine) as connection:
        for name, table in tables.items():
            connection.execute(delete(table))
            if name in frames:
                add_rows(connection, table, frames[name])


def undo(engine: Engine, import_id: int) -> None:
    """Take back an import: remove exactly what it added and mark it undone.

    Raises
    ------
    UsageError
        When there is no such import, or it was undone before.
    """
    imports = schema.imports
    with writing(engine) as connection:
        row = connection.execute(
            select(imports.columns.undone_at).where(imports.columns.id == import_id)
        ).one_or_none()
        if row is None:
            last = connection.execute(select(func.max(imports.columns.id))).scalar()
            known = "nothing was imported yet" if last is None else f"the last one is {last}"
            raise UsageError(f"There is no import {import_id}; {known}.")
        if row.undone_at is not None:
            raise UsageError(f"Import {import_id} was undone before; nothing was changed.")
        for table in (schema.conflicts, schema.quarantine, *schema.RECORDS.values()):
            connection.execute(delete(table).where(table.columns.import_id == import_id))
        now = microseconds(datetime.now(UTC))
        connection.execute(
            update(imports).where(imports.columns.id == import_id).values(undone_at=now)
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

    with tempfile.TemporaryDirectory(prefix="arcdrift-") as folder:
        path = str(Path(folder) / "staging.db")
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
