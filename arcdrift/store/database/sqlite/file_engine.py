"""Opens the SQLite file of a store."""

import sqlite3
import time
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool

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
from arcdrift.store.database.sqlite.damage import require_undamaged
from arcdrift.store.database.sqlite.read_only_file import ReadOnlyConnection, is_writable
from arcdrift.store.database.sqlite.sqlite_dialect import error_sentence
from arcdrift.store.database.sqlite.sqlite_gate import GatedConnection

_BUSY_SECONDS = 60.0
_CACHE_KIB = 65_536


def open_file(path: Path) -> Engine:
    """Engine for the file of a store, which need not exist yet."""
    require_undamaged(path)
    is_read_only = not is_writable(path)
    if is_read_only and not path.exists():
        raise StoreTrouble(error_sentence("readonly", str(path)))
    # no pool: an idle connection would keep Arrow reads out (see sqlite_gate.py)
    engine = create_engine(
        f"sqlite:///{path}",
        poolclass=NullPool,
        execution_options={READ_ONLY: is_read_only},
        connect_args={
            "factory": ReadOnlyConnection if is_read_only else GatedConnection,
            "timeout": _BUSY_SECONDS,
            "isolation_level": None,
            "check_same_thread": False,
        },
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: GatedConnection, _record: object) -> None:
        for pragma in ("foreign_keys=ON", "synchronous=NORMAL", f"cache_size=-{_CACHE_KIB}"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # a writer locks at once, so that what it has read is still true when it writes
        options = connection.get_execution_options()
        if options.get(WRITES, False):
            max_wait_s = options.get(MAX_WAIT_S, LONGEST_WAIT_S)
            _begin_write(connection, options.get(WAITING), max_wait_s)
        else:
            connection.exec_driver_sql("BEGIN")

    return engine


def _begin_write(connection: Connection, waiting: Waiting | None, max_wait_s: float) -> None:
    """Begin to write as soon as no other writer does.

    SQLite is asked again and again with a short timeout, so that Ctrl-C works in between.
    """
    raw = connection.connection.dbapi_connection
    if not isinstance(raw, sqlite3.Connection):
        raise TypeError("not a connection to an embedded store")
    started = time.monotonic()
    raw.execute(f"PRAGMA busy_timeout={POLL_S * 1000:.0f}")
    try:
        while True:
            try:
                raw.execute("BEGIN IMMEDIATE")
                return
            except sqlite3.OperationalError as problem:
                waited = time.monotonic() - started
                if "locked" not in str(problem) or waited > max_wait_s:
                    raise
                if waiting is not None and waited >= NOTICE_AFTER_S:
                    waiting()
                    waiting = None
    finally:
        raw.execute(f"PRAGMA busy_timeout={_BUSY_SECONDS * 1000:.0f}")
