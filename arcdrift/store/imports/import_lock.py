"""Keeps track of running imports, so that one that never finished can be named.

A row of the table ``imports_in_progress`` is committed before an import's work, and removed in
the import's own transaction. While the work goes on, a small lock file is held, which the
operating system releases however the work ends. So a row with a free lock belongs to an import
that was interrupted.
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
from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import Waiting, reading, writing
from arcdrift.store.database.read_only import require_writable

_MAX_REMOTE_AGE = timedelta(days=1)
"""Where another machine may hold the lock, an import younger than this is taken to be running."""
_MAX_REMOVAL_WAIT_S = 2.0
"""Longest that an import which ends with an error waits for another writer."""
_LOCK_PREFIX = ".arcdrift-import-"
_MIN_ORPHAN_AGE_S = 60.0
"""A lock file younger than this may just be about to be locked."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_held_here: set[str] = set()
"""Tokens of the imports that run in this process."""


@dataclass(frozen=True)
class RunningImport:
    """An import that is running.

    Attributes
    ----------
    token : str
        Names its row and its lock file.
    """

    token: str

    def finish(self, connection: Connection) -> None:
        """Remove the import's row within the import's transaction."""
        connection.execute(_removal(self.token))


@dataclass(frozen=True)
class InterruptedImport:
    """An import that was interrupted; nothing of it was stored."""

    token: str
    file: str
    started_at: datetime


@contextmanager
def running_import(
    engine: Engine, file: str, started: datetime, waiting: Waiting | None = None
) -> Iterator[RunningImport]:
    """Register an import while it runs; an error that ends it removes the row too.

    Parameters
    ----------
    file : str
        Name of the file.
    waiting : callable, optional
        Called once when another writer must be waited for.
    """
    require_writable(engine)
    token = secrets.token_hex(8)
    values = {"token": token, "file_name": file, "started_at": microseconds(started)}
    with _locked(_lock_file(engine, token)):
        _held_here.add(token)
        try:
            with writing(engine, waiting) as connection:
                connection.execute(insert(schema.imports_in_progress).values(values))
            try:
                yield RunningImport(token)
            except BaseException:
                # a row that cannot be removed now is named next time, which is true as well
                removing = writing(engine, max_wait_s=_MAX_REMOVAL_WAIT_S)
                with suppress(StoreTrouble), removing as connection:
                    connection.execute(_removal(token))
                raise
        finally:
            _held_here.discard(token)


def interrupted_imports(engine: Engine) -> list[InterruptedImport]:
    """Imports that began and were interrupted, the oldest first."""
    table = schema.imports_in_progress
    with reading(engine) as connection:
        rows = connection.execute(select(table).order_by(table.columns.started_at))
        imports = [
            InterruptedImport(
                row.token, row.file_name, _EPOCH + timedelta(microseconds=row.started_at)
            )
            for row in rows
        ]
    return [started for started in imports if not _is_running(engine, started)]


def forget_interrupted(engine: Engine, imports: list[InterruptedImport]) -> None:
    """Remove the rows and lock files of interrupted imports, after a person was told of them."""
    if imports:
        with writing(engine) as connection:
            for interrupted in imports:
                connection.execute(_removal(interrupted.token))
    for interrupted in imports:
        _remove(_lock_file(engine, interrupted.token))
    if engine.dialect.name == "sqlite":
        _sweep(engine)


def _sweep(engine: Engine) -> None:
    """Remove free lock files without a row: an import ended just before or after its work."""
    with reading(engine) as connection:
        tokens = set(connection.execute(select(schema.imports_in_progress.columns.token)).scalars())
    tokens |= _held_here
    for path in _lock_file(engine, "").parent.glob(f"{_LOCK_PREFIX}*"):
        token = path.name.removeprefix(_LOCK_PREFIX).removesuffix("-journal")
        with suppress(OSError):
            old = time.time() - path.stat().st_mtime > _MIN_ORPHAN_AGE_S
            if old and token not in tokens and not _is_locked(_lock_file(engine, token)):
                path.unlink()


def _removal(token: str) -> Delete:
    table = schema.imports_in_progress
    return delete(table).where(table.columns.token == token)


def _lock_file(engine: Engine, token: str) -> Path:
    """Lock file of an import: beside an embedded store, else in the temporary folder."""
    database = engine.url.database
    embedded = engine.dialect.name == "sqlite" and database
    folder = Path(database).parent if embedded and database else Path(tempfile.gettempdir())
    return folder / f"{_LOCK_PREFIX}{token}"


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Lock an empty SQLite file: works on every system, and a killed program releases it."""
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
    for file in (path, path.with_name(path.name + "-journal")):
        with suppress(OSError):
            file.unlink()


def _is_running(engine: Engine, started: InterruptedImport) -> bool:
    if started.token in _held_here:
        return True
    path = _lock_file(engine, started.token)
    if not path.exists():
        # removed after the work, or held on another machine that shares the database
        shared = engine.dialect.name != "sqlite"
        return shared and datetime.now(UTC) - started.started_at < _MAX_REMOTE_AGE
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
