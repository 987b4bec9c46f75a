"""Inserts rows with COPY, in the transaction of the connection.

The Arrow driver could insert as well, but on a connection and in a transaction of its own, and an
import must be stored whole or not at all. Both take the same time, most of it the server's.
"""

from typing import Any

import pyarrow as pa
from sqlalchemy import BigInteger, Boolean, Connection, Float, Integer, LargeBinary, Table

from arcdrift.store.database.dialect import Progress

_BATCH_ROWS = 20_000
# a BigInteger is an Integer too
_TYPES = (
    (BigInteger, "int8"),
    (Integer, "int4"),
    (Float, "float8"),
    (Boolean, "bool"),
    (LargeBinary, "bytea"),
)


def copy_rows(
    connection: Connection, table: Table, rows: pa.Table, progress: Progress | None
) -> None:
    """Add rows to a table."""
    names = ", ".join(f'"{name}"' for name in rows.column_names)
    raw: Any = connection.connection.dbapi_connection
    # names are those of our schema
    statement = f'COPY "{table.name}" ({names}) FROM STDIN (FORMAT binary)'
    done = 0
    with raw.cursor() as cursor, cursor.copy(statement) as copy:
        copy.set_types([_type_name(table.columns[name]) for name in rows.column_names])
        for batch in rows.to_batches(max_chunksize=_BATCH_ROWS):
            for row in zip(*(column.to_pylist() for column in batch.columns), strict=True):
                copy.write_row(row)
            done += batch.num_rows
            if progress is not None:
                progress(done)


def _type_name(column: Any) -> str:
    return next((name for kind, name in _TYPES if isinstance(column.type, kind)), "text")
