"""Reads rows of a SQLite file through Arrow, several times faster than row by row."""

from typing import Any

import pyarrow as pa
from adbc_driver_manager import Error as ArrowError
from adbc_driver_sqlite import dbapi
from sqlalchemy import Engine, Select, literal, select, union_all
from sqlalchemy.dialects import sqlite

from arcdrift.errors import StoreDamaged, StoreTrouble
from arcdrift.store.database.arrow_thread import run_in_arrow_thread
from arcdrift.store.database.frames import arrow_type
from arcdrift.store.database.sqlite.damage import damaged_sentence, tells_damage
from arcdrift.store.database.sqlite.read_only_file import database_address
from arcdrift.store.database.sqlite.sqlite_gate import gate_of

_EXAMPLE_VALUES: dict[pa.DataType, Any] = {
    pa.float64(): 0.5,
    pa.int64(): 0,
    pa.bool_(): 0,
    pa.string(): "",
}
_BATCH_ROWS = "65536"
"""Rows the bulk driver gathers at a time; with its own 1,024 reading takes a sixth longer."""


def read_if_free(engine: Engine, query: Select[Any]) -> pa.Table | None:
    """Read rows by the bulk driver; None where the file is in use or locked, for it never waits."""
    with gate_of(str(engine.url.database)).arrow() as free:
        return _read(engine, query) if free else None


def read_file(address: str, query: Select[Any]) -> pa.Table:
    """Read rows of a file that nothing else in this process has open.

    Parameters
    ----------
    address : str
        Path or address of the file.

    Raises
    ------
    adbc_driver_manager.Error
        When it cannot be read, or is locked.
    """
    columns = list(query.selected_columns)
    # the driver takes each column's type from the first rows; a leading example row sets it
    leading = select(*(literal(_EXAMPLE_VALUES[arrow_type(column)]) for column in columns))
    statement = union_all(leading, query).compile(
        dialect=sqlite.dialect(), compile_kwargs={"literal_binds": True}
    )

    def read() -> pa.Table:
        with dbapi.connect(address) as connection, connection.cursor() as cursor:
            cursor.adbc_statement.set_options(**{"adbc.sqlite.query.batch_rows": _BATCH_ROWS})
            cursor.execute(str(statement))
            return cursor.fetch_arrow_table().slice(1)

    return run_in_arrow_thread(read)


def _read(engine: Engine, query: Select[Any]) -> pa.Table | None:
    try:
        return read_file(database_address(engine), query)
    except ArrowError as problem:
        if "locked" in str(problem):
            return None
        place = str(engine.url.database)
        if tells_damage(str(problem)):
            raise StoreDamaged(damaged_sentence(place)) from problem
        raise StoreTrouble(f"The store {place} cannot be read: {problem}.") from problem
