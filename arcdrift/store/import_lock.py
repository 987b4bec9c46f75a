"""Imports that were begun: to be named when they never finished.

A record is committed before an import's work and closed by the import's own transaction. While
the work goes on, a small lock file is held; the system lets go of it however the work ends, so
a record whose lock is free belongs to an import that was cut off.
"""

import secrets
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import Connection, Delete, Engine, delete, insert, select

from arcdrift.errors import StoreTrouble
from arcdrift.store import schema
from arcdrift.store.connect import Waiting, reading, writing
from arcdrift.times import microseconds

_DOUBT = timedelta(days=1)
"""Where another machine may hold the lock, a record this young is taken as work going on."""
_LOCK = ".arcdrift-import-"
_ORPHAN_SECONDS = 60.0
"""A younger lock may be about to be taken."""
_held: set[str] = set()


@dataclass(frozen=True)
class Begun:
    """An import that goes on.

    Attributes
    ----------
    token : str
        Names its record and its lock.
    """

    token: str

    def finish(self, connection: Connection) -> None:
        """Close the record within the import's transaction."""
        connection.execute(_removal(self.token))


@dataclass(frozen=True)
class Interrupted:
    """An import that was cut off; nothing of it was stored."""

    token: str
    file: str
    started_at: datetime


@contextmanager
def begun(
    engine: Engine, file: str, started: datetime, waiting: Waiting | None = None
) -> Iterator[Begun]:
    """Record that an import begins; an error that ends it closes the record too.

    Parameters
    ----------
    file : str
        Name of the file.
    waiting : callable, optional
        Called once when another writer must be waited for.
    """
    token = secrets.token_hex(8)
    values = {"token": token, "file_name": file, "started_at": microseconds(started)}
    with _lock(_place(engine, token)):
        _held.add(token)
        try:
            with writing(engine, waiting) as connection:
                connection.execute(insert(schema.begun).values(values))
            try:
                yield Begun(token)
            except BaseException:
                # what cannot be closed now is named next time, which is true as well
                with suppress(StoreTrouble), writing(engine) as connection:
                    connection.execute(_removal(token))
                raise
        finally:
            _held.discard(token)


def interrupted(engine: Engine) -> list[Interrupted]:
    """Imports that were begun and cut off, the oldest first."""
    with reading(engine) as connection:
        rows = connection.execute(select(schema.begun).order_by(schema.begun.columns.started_at))
        found = [
            Interrupted(row.token, row.file_name, _EPOCH + timedelta(microseconds=row.started_at))
            for row in rows
        ]
    return [one for one in found if not _goes_on(engine, one)]


def forget(engine: Engine, those: list[Interrupted]) -> None:
    """Drop the records of imports that were cut off, once a person was told, and their locks."""
    if those:
        with writing(engine) as connection:
            for one in those:
                connection.execute(_removal(one.token))
    for one in those:
        _remove(_place(engine, one.token))
    if engine.dialect.name == "sqlite":
        _sweep(engine)


def _sweep(engine: Engine) -> None:
    """Remove locks that nobody holds: of imports cut off just before or after their work."""
    with reading(engine) as connection:
        known = set(connection.execute(select(schema.begun.columns.token)).scalars())
    for path in _place(engine, "").parent.glob(f"{_LOCK}*"):
        token = path.name.removeprefix(_LOCK).removesuffix("-journal")
        with suppress(OSError):
            old = time.time() - path.stat().st_mtime > _ORPHAN_SECONDS
            if old and token not in known | _held and not _is_locked(_place(engine, token)):
                path.unlink()


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _removal(token: str) -> Delete:
    return delete(schema.begun).where(schema.begun.columns.token == token)


def _place(engine: Engine, token: str) -> Path:
    """Lock file of an import: beside an embedded store, else in the temporary folder."""
    database = engine.url.database
    embedded = engine.dialect.name == "sqlite" and database
    folder = Path(database).parent if embedded and database else Path(tempfile.gettempdir())
    return folder / f"{_LOCK}{token}"


@contextmanager
def _lock(path: Path) -> Iterator[None]:
    """Hold an empty SQLite file locked: portable, and let go of by the system."""
    try:
        connection = sqlite3.connect(path, timeout=0, isolation_level=None)
        connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.Error as problem:
        raise StoreTrouble(
            f"The folder {path.parent} cannot be written ({problem}); check its permissions and "
            f"that its disk is there and has room."
        ) from problem
    try:
        yield
    finally:
        connection.close()
        _remove(path)


def _remove(path: Path) -> None:
    for one in (path, path.with_name(path.name + "-journal")):
        with suppress(OSError):
            one.unlink()


def _goes_on(engine: Engine, one: Interrupted) -> bool:
    if one.token in _held:
        return True
    path = _place(engine, one.token)
    if not path.exists():
        # removed after the work, or on another machine that shares the database
        shared = engine.dialect.name != "sqlite"
        return shared and datetime.now(UTC) - one.started_at < _DOUBT
    return _is_locked(path)


def _is_locked(path: Path) -> bool:
    if not path.exists():
        return False
    connection = sqlite3.connect(path, timeout=0, isolation_level=None)
    try:
        connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError:
        return True
    finally:
        connection.close()
    return False
