"""Reads rows from a server through Arrow."""

from typing import Any

import pyarrow as pa
from adbc_driver_manager import Error as ArrowError
from adbc_driver_postgresql import dbapi
from sqlalchemy import Engine, Select
from sqlalchemy.dialects.postgresql.base import PGDialect

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.arrow_thread import run_in_arrow_thread
from arcdrift.store.database.postgresql.error_sentences import error_sentence
from arcdrift.store.database.postgresql.idle_connections import IDLE, IdleConnections
from arcdrift.store.database.postgresql.server_address import ServerAddress

# the dialect of psycopg would write a percent sign twice
_DIALECT = PGDialect(paramstyle="named")  # type: ignore[no-untyped-call]


def read_table(engine: Engine, query: Select[Any]) -> pa.Table:
    """Run a query in bulk.

    Raises
    ------
    StoreTrouble
        When the server cannot be reached, or refuses.
    """
    statement = str(query.compile(dialect=_DIALECT, compile_kwargs={"literal_binds": True}))
    idle: IdleConnections = engine.get_execution_options()[IDLE]
    try:
        return run_in_arrow_thread(lambda: _read(idle, statement))
    except ArrowError as problem:
        place = ServerAddress(engine.url, "").shown
        raise StoreTrouble(error_sentence(problem, place)) from problem


def _read(idle: IdleConnections, statement: str) -> pa.Table:
    """Run a query; on a connection that was lost while it was idle, once more on a new one."""
    connection = idle.take()
    if connection is not None:
        try:
            return _read_on(connection, idle, statement)
        except ArrowError:
            idle.close()  # the others were lost as well
    # each query is a transaction of its own
    return _read_on(dbapi.connect(idle.conninfo, autocommit=True), idle, statement)


def _read_on(connection: Any, idle: IdleConnections, statement: str) -> pa.Table:
    try:
        with connection.cursor() as cursor:
            cursor.execute(statement)
            table = cursor.fetch_arrow_table()
    except BaseException:
        idle.discard(connection)
        raise
    idle.keep(connection)
    return table
