"""Opens a store on a PostgreSQL server.

Readers get one unchanging state of the store and never wait. Writers take turns: each holds an
advisory lock of the crew's schema until its transaction ends.
"""

import time
import weakref
import zlib

import psycopg
from psycopg.conninfo import make_conninfo
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.dialect import (
    LONGEST_WAIT_S,
    MAX_WAIT_S,
    NOTICE_AFTER_S,
    POLL_S,
    READ_ONLY,
    WAITING,
    WRITES,
    Waiting,
)
from arcdrift.store.database.postgresql.error_sentences import error_sentence
from arcdrift.store.database.postgresql.idle_connections import IDLE, IdleConnections
from arcdrift.store.database.postgresql.server_address import ServerAddress

OLDEST_VERSION = 14
"""Oldest major version of the server; older ones get no corrections any more."""
WRITER_LOCKS = 0x617263
"""First key of the advisory locks of writers; the second is made of the schema's name."""
_POOL_SIZE = 5
_MOST_CONNECTIONS = 25
_IS_READ_ONLY = """
SELECT pg_is_in_recovery() OR current_setting('default_transaction_read_only')::bool
    OR coalesce(NOT has_table_privilege(to_regclass('imports'), 'INSERT'), false)
"""


def open_server(address: str) -> Engine:
    """Engine for a store at an address.

    Raises
    ------
    StoreTrouble
        When the address is not understood, or the server cannot be reached or is too old.
    """
    parsed = ServerAddress.parse(address)
    conninfo, shown = make_conninfo("", **parsed.parameters), parsed.shown
    idle = IdleConnections(conninfo)
    opened: set[psycopg.Connection] = set()

    def connect() -> psycopg.Connection:
        opened.difference_update([connection for connection in opened if connection.closed])
        # no prepared statements: tables may be made anew while a connection stays open
        connection = psycopg.connect(conninfo, prepare_threshold=None)
        version = connection.info.server_version // 10_000
        if version < OLDEST_VERSION:
            connection.close()
            raise StoreTrouble(
                f"The server of the store {shown} is PostgreSQL {version}; arcdrift needs "
                f"{OLDEST_VERSION} or newer."
            )
        opened.add(connection)
        return connection

    engine = create_engine(
        parsed.url,
        creator=connect,
        pool_pre_ping=True,
        pool_size=_POOL_SIZE,
        max_overflow=_MOST_CONNECTIONS - _POOL_SIZE,
        execution_options={IDLE: idle},
    )
    weakref.finalize(engine, _close_all, opened)
    key = zlib.crc32(parsed.schema.encode()) - 2**31

    @event.listens_for(engine, "engine_disposed")
    def _close(_engine: Engine) -> None:
        idle.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        options = connection.get_execution_options()
        if options.get(WRITES, False):
            max_wait_s = options.get(MAX_WAIT_S, LONGEST_WAIT_S)
            _become_writer(connection, key, shown, options.get(WAITING), max_wait_s)
        else:
            connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")

    try:
        with engine.connect() as connection:
            is_read_only = bool(connection.exec_driver_sql(_IS_READ_ONLY).scalar())
    except DBAPIError as problem:
        raise StoreTrouble(error_sentence(problem.orig or problem, shown)) from problem
    engine.update_execution_options(**{READ_ONLY: is_read_only})
    return engine


def _close_all(connections: set[psycopg.Connection]) -> None:
    """Close what an engine that is no longer used has left open."""
    for connection in connections:
        connection.close()


def _become_writer(
    connection: Connection, key: int, shown: str, waiting: Waiting | None, max_wait_s: float
) -> None:
    """Take the lock of writers as soon as it is free.

    The server is asked again and again, so that Ctrl-C works in between.
    """
    started = time.monotonic()
    attempt = f"SELECT pg_try_advisory_xact_lock({WRITER_LOCKS}, {key})"
    while not connection.exec_driver_sql(attempt).scalar():
        waited = time.monotonic() - started
        if waited > max_wait_s:
            raise StoreTrouble(f"The store {shown} is busy with other work; try again in a minute.")
        if waiting is not None and waited >= NOTICE_AFTER_S:
            waiting()
            waiting = None
        time.sleep(POLL_S)
