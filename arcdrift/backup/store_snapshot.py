"""Copies a crew's store, of one state, into a SQLite file without what signs people in."""

import secrets
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from sqlalchemy import Engine

from arcdrift.errors import StoreTrouble
from arcdrift.settings import STORE_FILE
from arcdrift.store.database.connect import connect_to, store_errors
from arcdrift.store.database.dialect import WRITES
from arcdrift.store.database.dialects import dialect_of
from arcdrift.store.database.upgrade import make_tables
from arcdrift.store.moving.store_move import store_tables
from arcdrift.store.moving.table_copy import copy_table, table_contents

_SNAPSHOT = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
"""How a server is asked for a transaction that sees one state of the store."""

Progress = Callable[[str, int, int], None]
"""Called with the step, and the part of it that is done and the whole in any unit."""


def copy_store(engine: Engine, folder: Path, progress: Progress) -> Path:
    """Copy a store into an empty folder, while others use it.

    Returns
    -------
    Path
        The copy: a SQLite file, whichever database the store is in.

    Raises
    ------
    StoreTrouble
        When the store cannot be read, or the copy cannot be written.
    """
    path = folder / STORE_FILE
    with store_errors(engine):
        is_copied = dialect_of(engine).copy_to_file(
            engine, path, lambda done, whole: progress("Copying", done, whole)
        )
    if not is_copied:
        _copy_rows(engine, folder, progress)
    _forget_sign_ins(path)
    return path


def _copy_rows(engine: Engine, folder: Path, progress: Progress) -> None:
    """Copy all rows, read in one transaction that sees one state of the store."""
    target = connect_to(folder)
    source = engine.execution_options(**_SNAPSHOT)
    done = 0

    def count(rows: int) -> None:
        nonlocal done
        done += rows
        progress("Copying", done, done)

    try:
        with (
            store_errors(source),
            source.connect() as reading,
            store_errors(target),
            target.execution_options(**{WRITES: True}).begin() as writing,
        ):
            make_tables(writing)
            for table in store_tables():
                read = copy_table(reading, writing, table, count)
                copied = table_contents(writing, table, count)
                # the highest id may be of a row that came later: a server counts outside of states
                if (copied.rows, copied.sha256) != (read.rows, read.sha256):
                    raise StoreTrouble(
                        f"The table {table.name} is not the same after it was copied; no backup "
                        "was made. Tell who looks after arcdrift."
                    )
    finally:
        target.dispose()


def _forget_sign_ins(path: Path) -> None:
    """Give all users new session keys, so that nobody is signed in by what a backup holds."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA secure_delete=ON")
        connection.execute("PRAGMA synchronous=OFF")
        names = {str(name) for (name,) in connection.execute("SELECT name FROM sqlite_schema")}
        if "users" not in names:
            return
        connection.execute("BEGIN")
        users = connection.execute("SELECT id FROM users").fetchall()
        connection.executemany(
            "UPDATE users SET session_key = ? WHERE id = ?",
            [(secrets.token_urlsafe(32), number) for (number,) in users],
        )
        if "ended_sign_ins" in names:
            connection.execute("DELETE FROM ended_sign_ins")
        connection.execute("COMMIT")
