"""Inserts rows into a table of a SQLite file, many of them through Arrow."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa
from adbc_driver_manager import Error as ArrowError
from adbc_driver_sqlite import dbapi
from sqlalchemy import Connection, Table

from arcdrift.errors import StoreTrouble
from arcdrift.scratch import scratch_folder
from arcdrift.store.database.arrow_thread import run_in_arrow_thread
from arcdrift.store.database.dialect import Progress

_BULK_ROWS = 4_000
"""Number of rows from which a staging file is faster than inserting row by row."""
_BATCH_ROWS = 100_000
_MAX_ATTACHED = 9
"""SQLite attaches at most 10 files; they stay attached until the transaction ends."""


def insert_rows(
    connection: Connection, table: Table, rows: pa.Table, progress: Progress | None
) -> None:
    """Add rows to a table, many of them through a staging file, in the open transaction."""
    if rows.num_rows < _BULK_ROWS or _attached(connection) >= _MAX_ATTACHED:
        _row_by_row(connection, table, rows)
    else:
        _through_staging(connection, table, rows, progress)


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
    """Turn an error of the Arrow driver into a sentence that a person can act on."""
    try:
        yield
    except ArrowError as problem:
        detail = " ".join(str(problem).split()).rstrip(".")
        # SQLite ends the transaction itself when a disk is full; the driver only tells that its
        # own attempt to do so failed
        is_full = "full" in detail or "no transaction is active" in detail
        reason = "it is full" if is_full else detail
        raise StoreTrouble(
            f"The temporary folder {path.parent.parent} cannot take the rows on their way into "
            f"the store ({reason}); make room there, or set TMPDIR to another folder."
        ) from problem


def _through_staging(
    connection: Connection,
    table: Table,
    rows: pa.Table,
    progress: Progress | None,
) -> None:
    # Arrow writes a file of its own, which the store's connection then copies: an import stays
    # one transaction, and no second SQLite library opens the store
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

        def stage_rows() -> None:
            with dbapi.connect(path, autocommit=True) as stage, stage.cursor() as cursor:
                for pragma in ("journal_mode=OFF", "synchronous=OFF", "locking_mode=EXCLUSIVE"):
                    cursor.execute(f"PRAGMA {pragma}")
                reader = pa.RecordBatchReader.from_batches(rows.schema, batches())
                cursor.adbc_ingest("rows", reader, mode="create")

        with staging_errors(Path(path)):
            run_in_arrow_thread(stage_rows)
        connection.exec_driver_sql(f"ATTACH DATABASE ? AS {staging}", (path,))
        connection.exec_driver_sql(
            f"INSERT INTO {name} ({columns}) "  # noqa: S608 - names of our schema
            f"SELECT {columns} FROM {staging}.rows"
        )
