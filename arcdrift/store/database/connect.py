"""Opens a store: a crew folder's embedded file, or a shared database by its address."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from arcdrift.errors import StoreTrouble
from arcdrift.settings import CREW_FILE, STORE_FILE, Crew
from arcdrift.store.database.dialect import LONGEST_WAIT_S, MAX_WAIT_S, WAITING, WRITES
from arcdrift.store.database.dialect import Waiting as Waiting
from arcdrift.store.database.dialects import dialect_of
from arcdrift.store.database.moved_marks import require_not_moved
from arcdrift.store.database.read_only import require_writable
from arcdrift.store.database.sqlite.file_engine import open_file
from arcdrift.store.database.upgrade import bring_up_to_date


def open_store(target: Path | str) -> Engine:
    """Open a store, making it or bringing it up to date first.

    A store that cannot be written is opened for reading.

    Parameters
    ----------
    target : Path or str
        A crew folder, whose store is its file ``arcdrift.db``, or an address such as
        ``postgresql://user@host/name``.

    Raises
    ------
    StoreTrouble
        With one sentence when the store cannot be opened, is damaged, is something else, or
        was made by a newer arcdrift.
    """
    engine = connect_to(target)
    with store_errors(engine):
        bring_up_to_date(engine, place(engine))
    return engine


def connect_to(target: Path | str) -> Engine:
    """Connect to a store as `open_store` does, and leave its tables as they are, if there are any.

    Raises
    ------
    StoreTrouble
        When it cannot be reached.
    """
    address = str(target)
    return _by_address(address) if "://" in address else _in_folder(Path(target))


def open_crew_store(folder: Path, crew: Crew) -> Engine:
    """Open the store of a crew: the file of its folder, or what its settings name.

    Raises
    ------
    StoreTrouble
        As `open_store`; also when the settings name an environment variable that is not set.
    """
    return open_store(store_target(folder, crew.store))


def store_target(folder: Path, setting: str | None) -> Path | str:
    """Folder or address of a crew's store, by the setting ``store`` of crew.toml.

    Raises
    ------
    StoreTrouble
        When it names an environment variable that is not set.
    """
    if setting is None:
        return folder
    if not setting.startswith("$"):
        return setting
    variable = setting.removeprefix("$")
    address = os.environ.get(variable, "")
    if "://" not in address:
        raise StoreTrouble(
            f"{folder / CREW_FILE} takes the address of the store from the environment variable "
            f"{variable}, which holds none; set it to one such as postgresql://user@host/name."
        )
    return address


def place(engine: Engine) -> str:
    """Words for where a store is: its file, or its address without the password."""
    return dialect_of(engine).place(engine)


@contextmanager
def store_errors(engine: Engine) -> Iterator[None]:
    """Turn an error of the database into a sentence that a person can act on."""
    dialect = dialect_of(engine)
    try:
        yield
    except DBAPIError as problem:
        raise dialect.trouble(problem.orig or problem, place(engine)) from problem
    except SQLAlchemyError as problem:
        raise StoreTrouble(f"The store {place(engine)} cannot be used: {problem}.") from problem
    except dialect.driver_errors as problem:
        raise dialect.trouble(problem, place(engine)) from problem


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Yield a connection that sees one unchanging state of the store.

    Within a `snapshot` that is the state of the snapshot.
    """
    held = held_snapshot(engine)
    with store_errors(engine):
        if held is not None:
            yield held
        else:
            with engine.connect() as connection:
                yield connection


_snapshot: ContextVar[Connection | None] = ContextVar("snapshot", default=None)


@contextmanager
def snapshot(engine: Engine) -> Iterator[Connection]:
    """Let this thread read one unchanging state of the store, however often it reads.

    Writers neither wait for it nor are seen by it, and it takes the place of many connections.
    """
    with reading(engine) as connection:
        token = _snapshot.set(connection)
        try:
            yield connection
        finally:
            _snapshot.reset(token)


def held_snapshot(engine: Engine) -> Connection | None:
    """Return the connection of the snapshot of a store that this thread reads, if it does."""
    connection = _snapshot.get()
    return connection if connection is not None and connection.engine is engine else None


@contextmanager
def writing(
    engine: Engine, waiting: Waiting | None = None, *, max_wait_s: float = LONGEST_WAIT_S
) -> Iterator[Connection]:
    """Yield the only writing connection; on an error nothing that was written is kept.

    Parameters
    ----------
    waiting : callable, optional
        Called once when another writer must be waited for.
    max_wait_s : float
        Longest time to wait for another writer, in seconds.
    """
    require_writable(engine)
    writer = engine.execution_options(**{WRITES: True, WAITING: waiting, MAX_WAIT_S: max_wait_s})
    with store_errors(engine), writer.begin() as connection:
        require_not_moved(connection, place(engine))
        yield connection


def _in_folder(folder: Path) -> Engine:
    if not folder.exists():
        raise StoreTrouble(
            f"The crew folder {folder} does not exist; make one with `arcdrift init {folder}`."
        )
    if not folder.is_dir():
        raise StoreTrouble(f"{folder} is a file; give the crew folder that holds crew.toml.")
    return open_file(folder / STORE_FILE)


def _by_address(address: str) -> Engine:
    if address.startswith("sqlite"):
        database = address.split("://", 1)[1].removeprefix("/")
        if database in ("", ":memory:"):
            raise StoreTrouble("A store in memory would be lost at once; give a crew folder.")
        return open_file(Path(database))
    if address.startswith("postgresql"):
        try:
            from arcdrift.store.database.postgresql.server_engine import open_server
        except ModuleNotFoundError as problem:
            raise StoreTrouble(
                f"A store on PostgreSQL needs the Python package {problem.name}, which is not "
                "installed; install arcdrift with its extra: `pip install '.[postgresql]'`."
            ) from None
        return open_server(address)
    raise StoreTrouble(
        "The store's address is not understood; write it like postgresql://user@host/name."
    )
