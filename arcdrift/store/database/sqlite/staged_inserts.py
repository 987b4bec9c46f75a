"""Inserts rows into a table of a SQLite file, many of them through Arrow."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa
from adbc_driver_manager import Error as ArrowError
from adbc_driver_sqlite import dbapi
from sqlalchemy import Connection, Table

from arcdrift.errors import StoreTrouble
from arcdrift.scratch import scratch_folder
from arcdrift.store.database.arrow_thread import run_in_arrow_thread
from arcdrift.store.database.dialect import Progress, RowInserter

_BULK_ROWS = 4_000
"""Number of rows from which a staging file is faster than inserting row by row."""
_FEW_ROWS = 500
"""Fewer are inserted row by row also where there is a staging file."""
_BATCH_ROWS = 100_000
_MAX_ATTACHED = 9
"""SQLite attaches at most 10 files; they stay attached until the transaction ends."""


def insert_rows(
    connection: Connection, table: Table, rows: pa.Table, progress: Progress | None
) -> None:
    """Add rows to a table, many of them through a staging file, in the open transaction."""
    if rows.num_rows < _BULK_ROWS or _attached(connection) >= _MAX_ATTACHED:
        _row_by_row(connection, table, rows)
        return
    with scratch_folder() as folder:
        staging = _StagingFile(folder / "staging.db")
        staging.add(table, rows, progress)
        staging.copy_to(connection)


@contextmanager
def inserting_together(connection: Connection) -> Iterator[RowInserter]:
    """Add rows to several tables, many of them through one staging file."""
    with scratch_folder() as folder:
        staging = _StagingFile(folder / "staging.db")

        def insert(table: Table, rows: pa.Table) -> None:
            if rows.num_rows < _FEW_ROWS:
                _row_by_row(connection, table, rows)
            else:
                staging.add(table, rows)

        yield insert
        staging.copy_to(connection)


@dataclass
class _StagingFile:
    """File that the Arrow driver writes, which the store's connection then copies.

    So an import stays one transaction, and no second SQLite library opens the store.
    """

    path: Path
    tables: list[tuple[Table, list[str]]] = field(default_factory=list)
    """Table of the store and columns of each table in the file."""

    def add(self, table: Table, rows: pa.Table, progress: Progress | None = None) -> None:
        """Write the rows of a table."""

        def batches() -> Iterator[pa.RecordBatch]:
            done = 0
            for batch in rows.to_batches(max_chunksize=_BATCH_ROWS):
                yield batch
                done += batch.num_rows
                if progress is not None:
                    progress(done)

        def stage_rows() -> None:
            with dbapi.connect(str(self.path), autocommit=True) as stage, stage.cursor() as cursor:
                for pragma in ("journal_mode=OFF", "synchronous=OFF", "locking_mode=EXCLUSIVE"):
                    cursor.execute(f"PRAGMA {pragma}")
                reader = pa.RecordBatchReader.from_batches(rows.schema, batches())
                cursor.adbc_ingest(_staged_name(len(self.tables)), reader, mode="create")

        with staging_errors(self.path):
            run_in_arrow_thread(stage_rows)
        self.tables.append((table, rows.column_names))

    def copy_to(self, connection: Connection) -> None:
        """Add all rows to their tables of the store."""
        if not self.tables:
            return
        staging = f"staging{_attached(connection)}"
        connection.exec_driver_sql(f"ATTACH DATABASE ? AS {staging}", (str(self.path),))
        for number, (table, names) in enumerate(self.tables):
            columns = _listed(names)
            connection.exec_driver_sql(
                f'INSERT INTO "{table.name}" ({columns}) '  # noqa: S608 - names of our schema
                f"SELECT {columns} FROM {staging}.{_staged_name(number)}"
            )


def _staged_name(number: int) -> str:
    return f"rows{number}"


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _row_by_row(connection: Connection, table: Table, rows: pa.Table) -> None:
    marks = ", ".join("?" * rows.num_columns)
    values = [column.to_pylist() for column in rows.columns]
    columns = _listed(rows.column_names)
    connection.exec_driver_sql(
        f'INSERT INTO "{table.name}" ({columns}) VALUES ({marks})',  # noqa: S608 - our schema
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
