"""Copies tables from one database to another, and digests what a table holds."""

from collections.abc import Callable, Generator
from contextlib import closing
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

import pyarrow as pa
from sqlalchemy import Connection, LargeBinary, String, Table, select

from arcdrift.store.database.dialects import dialect_of
from arcdrift.store.database.frames import arrow_type
from arcdrift.store.database.insert_rows import insert_arrow_rows

_BATCH_ROWS = 100_000

CountRows = Callable[[int], None]
"""Called with the number of rows just read."""


@dataclass(frozen=True)
class TableContents:
    """What a table holds.

    Attributes
    ----------
    rows : int
    sha256 : str
        Of all rows with all columns, in the order of the primary key.
    last_id : int
        Highest id ever given to a row; 0 where the database gives none.
    """

    rows: int
    sha256: str
    last_id: int


def copy_table(
    source: Connection, target: Connection, table: Table, progress: CountRows
) -> TableContents:
    """Copy the rows of a table into an empty one; return what was read."""
    digest, rows = sha256(), 0
    with closing(_batches(source, table)) as batches:
        for batch in batches:
            _add(digest, batch)
            insert_arrow_rows(target, table, batch)
            rows += batch.num_rows
            progress(batch.num_rows)
    last = _last_id(source, table)
    if _has_given_ids(table):
        dialect_of(target).set_last_id(target, table, last)
    return TableContents(rows, digest.hexdigest(), last)


def table_contents(connection: Connection, table: Table, progress: CountRows) -> TableContents:
    """Read a table and say what it holds."""
    digest, rows = sha256(), 0
    with closing(_batches(connection, table)) as batches:
        for batch in batches:
            _add(digest, batch)
            rows += batch.num_rows
            progress(batch.num_rows)
    return TableContents(rows, digest.hexdigest(), _last_id(connection, table))


def _has_given_ids(table: Table) -> bool:
    """Whether the database numbers the rows."""
    column = table.autoincrement_column
    return column is not None and column.name == "id"


def _last_id(connection: Connection, table: Table) -> int:
    return dialect_of(connection).last_id(connection, table) if _has_given_ids(table) else 0


def _batches(connection: Connection, table: Table) -> Generator[pa.Table]:
    """All rows of a table in the same order in every database, so many at a time."""
    collation = dialect_of(connection).binary_collation
    order = [
        column.collate(collation) if isinstance(column.type, String) else column
        for column in table.primary_key.columns
    ]
    names = [column.name for column in table.columns]
    types = [_stored_type(column) for column in table.columns]
    query = select(table).order_by(*order)
    with connection.execute(query, execution_options={"yield_per": _BATCH_ROWS}) as result:
        for rows in result.partitions():
            columns = zip(*rows, strict=True)
            arrays = [pa.array(values, kind) for values, kind in zip(columns, types, strict=True)]
            yield pa.table(arrays, names=names)


def _stored_type(column: Any) -> pa.DataType:
    return pa.binary() if isinstance(column.type, LargeBinary) else arrow_type(column)


def _add(digest: Any, batch: pa.Table) -> None:
    """Add rows to a digest: their values with names and types, as Arrow writes them."""
    with pa.BufferOutputStream() as sink:
        with pa.ipc.new_stream(sink, batch.schema) as writer:
            writer.write_table(batch)
        digest.update(sink.getvalue())
