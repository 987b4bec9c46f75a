"""Opens a store: a crew folder's embedded file, or a shared database by its address."""

import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from arcdrift.errors import StoreTrouble
from arcdrift.settings import STORE_FILE
from arcdrift.store.database.read_only import (
    READ_ONLY,
    ReadOnlyConnection,
    is_writable,
    require_writable,
)
from arcdrift.store.database.sqlite_gate import GatedConnection
from arcdrift.store.database.upgrade import bring_up_to_date

Waiting = Callable[[], None]
"""Called once when another writer must be waited for."""

_BUSY_SECONDS = 60.0
_MAX_WAIT_SECONDS = 3600.0
"""Default of the longest time that a writer waits for another, which may store a large file."""
_POLL_SECONDS = 0.2
_NOTICE_AFTER_SECONDS = 1.0
"""How long a writer waits before `Waiting` is called."""
_CACHE_KIB = 65_536


def open_store(target: Path | str) -> Engine:
    """Open a store, making it or bringing it up to date first.

    A store whose file or folder cannot be written is opened for reading.

    Parameters
    ----------
    target : Path or str
        A crew folder, whose store is its file ``arcdrift.db``, or a SQLAlchemy address such
        as ``postgresql+psycopg://user@host/name``.

    Raises
    ------
    StoreTrouble
        With one sentence when the store cannot be opened, is damaged, is something else, or
        was made by a newer arcdrift.
    """
    address = str(target)
    engine = _by_address(address) if "://" in address else _in_folder(Path(target))
    with store_errors(engine):
        bring_up_to_date(engine, place(engine))
    return engine


def place(engine: Engine) -> str:
    """Words for where a store is: its file, or its address without the password."""
    database = engine.url.database
    if engine.dialect.name == "sqlite" and database:
        return database
    return engine.url.render_as_string(hide_password=True)


@contextmanager
def store_errors(engine: Engine) -> Iterator[None]:
    """Turn an error of the database into a sentence that a person can act on."""
    try:
        yield
    except DBAPIError as problem:
        raise StoreTrouble(_sentence(str(problem.orig), place(engine))) from problem
    except SQLAlchemyError as problem:
        raise StoreTrouble(f"The store {place(engine)} cannot be used: {problem}.") from problem
    except sqlite3.Error as problem:
        raise StoreTrouble(_sentence(str(problem), place(engine))) from problem


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Yield a connection that sees one unchanging state of the store."""
    with store_errors(engine), engine.connect() as connection:
        yield connection


@contextmanager
def writing(
    engine: Engine, waiting: Waiting | None = None, *, max_wait_s: float = _MAX_WAIT_SECONDS
) -> Iterator[Connection]:
    """Yield the only writing connection; on an error nothing that was written is kept.

    Parameters
    ----------
    waiting : callable, optional
        Called once when another writer must be waited for.
    max_wait_s : float
        Longest time to wait for another writer to an embedded store, in seconds.
    """
    require_writable(engine)
    writer = engine.execution_options(
        arcdrift_writes=True, arcdrift_waiting=waiting, arcdrift_max_wait_s=max_wait_s
    )
    with store_errors(engine), writer.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("LOCK TABLE imports IN EXCLUSIVE MODE"))
        yield connection


def _in_folder(folder: Path) -> Engine:
    if not folder.exists():
        raise StoreTrouble(
            f"The crew folder {folder} does not exist; make one with `arcdrift init {folder}`."
        )
    if not folder.is_dir():
        raise StoreTrouble(f"{folder} is a file; give the crew folder that holds crew.toml.")
    return _embedded(folder / STORE_FILE)


def _embedded(path: Path) -> Engine:
    is_read_only = not is_writable(path)
    if is_read_only and not path.exists():
        raise StoreTrouble(_sentence("readonly", str(path)))
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
        if options.get("arcdrift_writes", False):
            max_wait_s = options.get("arcdrift_max_wait_s", _MAX_WAIT_SECONDS)
            _begin_write(connection, options.get("arcdrift_waiting"), max_wait_s)
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
    raw.execute(f"PRAGMA busy_timeout={_POLL_SECONDS * 1000:.0f}")
    try:
        while True:
            try:
                raw.execute("BEGIN IMMEDIATE")
                return
            except sqlite3.OperationalError as problem:
                waited = time.monotonic() - started
                if "locked" not in str(problem) or waited > max_wait_s:
                    raise
                if waiting is not None and waited >= _NOTICE_AFTER_SECONDS:
                    waiting()
                    waiting = None
    finally:
        raw.execute(f"PRAGMA busy_timeout={_BUSY_SECONDS * 1000:.0f}")


def _by_address(address: str) -> Engine:
    if address.startswith("sqlite"):
        database = address.split("://", 1)[1].removeprefix("/")
        if database in ("", ":memory:"):
            raise StoreTrouble("A store in memory would be lost at once; give a crew folder.")
        return _embedded(Path(database))
    try:
        return create_engine(address, pool_pre_ping=True)
    except ModuleNotFoundError as problem:
        raise StoreTrouble(
            f"The store's address needs the Python package {problem.name}, which is not "
            f"installed; install it and try again."
        ) from None
    except (ArgumentError, NoSuchModuleError):
        raise StoreTrouble(
            "The store's address is not understood; write it like "
            "postgresql+psycopg://user@host/name."
        ) from None


def _sentence(message: str, place: str) -> str:
    """What to tell a person about an error message of the database."""
    if "not a database" in message or "malformed" in message:
        return f"The store {place} is damaged or is not a store; put a backup in its place."
    if "unable to open" in message and not os.access(Path(place).parent, os.W_OK):
        return (
            f"The store {place} holds changes that a program has not finished, and cannot be read "
            "where its folder cannot be written; copy the folder and read the copy."
        )
    if "readonly" in message or "unable to open" in message:
        return (
            f"The store {place} cannot be written; check the folder's permissions and that its "
            f"disk is there."
        )
    if "locked" in message:
        return f"The store {place} is busy with other work; try again in a minute."
    if "disk I/O" in message:
        return f"The store {place} cannot be written to its disk; see that it has room and works."
    if "full" in message:
        return f"The store {place} cannot grow because the disk is full; make room and try again."
    message = " ".join(message.split()).rstrip(".")
    return f"The store {place} cannot be used: {message}."
