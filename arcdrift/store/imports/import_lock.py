"""Keeps track of running imports, so that one that never finished can be named.

A row of the table ``imports_in_progress`` is committed before an import's work, and removed in
the import's own transaction. While the work goes on, a lock is held that is released however the
work ends (`arcdrift.store.database.dialect.ImportLocks`). So a row with a free lock belongs to an
import that was interrupted.
"""

import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, Delete, Engine, delete, insert, select

from arcdrift.errors import StoreTrouble
from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import Waiting, reading, store_errors, writing
from arcdrift.store.database.dialects import dialect_of
from arcdrift.store.database.read_only import require_writable

_MAX_REMOVAL_WAIT_S = 2.0
"""Longest that an import which ends with an error waits for another writer."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_held_here: set[str] = set()
"""Tokens of the imports that run in this process."""


@dataclass(frozen=True)
class RunningImport:
    """An import that is running.

    Attributes
    ----------
    token : str
        Names its row and its lock.
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
    with dialect_of(engine).import_locks.hold(engine, token):
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
    elsewhere = {started.token for started in imports} - _held_here
    running = _held_here
    if elsewhere:
        with store_errors(engine):
            running = running | dialect_of(engine).import_locks.held(engine, elsewhere)
    return [started for started in imports if started.token not in running]


def forget_interrupted(engine: Engine, imports: list[InterruptedImport]) -> None:
    """Remove the rows and locks of interrupted imports, after a person was told of them."""
    if imports:
        with writing(engine) as connection:
            for interrupted in imports:
                connection.execute(_removal(interrupted.token))
    with reading(engine) as connection:
        tokens = set(connection.execute(select(schema.imports_in_progress.columns.token)).scalars())
    ended = [interrupted.token for interrupted in imports]
    dialect_of(engine).import_locks.clear(engine, ended, tokens | _held_here)


def _removal(token: str) -> Delete:
    table = schema.imports_in_progress
    return delete(table).where(table.columns.token == token)
