"""What a store in a SQLite file needs besides common SQL."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, Select, Table, func, inspect, select

from arcdrift.errors import StoreDamaged, StoreTrouble
from arcdrift.store.database.dialect import ImportLocks, Progress, RowInserter
from arcdrift.store.database.sqlite.damage import (
    damaged_sentence,
    full_damage,
    is_damaged,
    tells_damage,
)
from arcdrift.store.database.sqlite.lock_files import LockFiles

if TYPE_CHECKING:
    import pyarrow as pa


class SqliteDialect:
    """Implements `arcdrift.store.database.dialect.StoreDialect`."""

    driver_errors: tuple[type[Exception], ...] = (sqlite3.Error,)
    import_locks: ImportLocks = LockFiles()
    binary_collation = "BINARY"

    def place(self, engine: Engine) -> str:
        """Path of the file."""
        return str(engine.url.database)

    def trouble(self, problem: BaseException, place: str) -> StoreTrouble:
        """What to raise for an error message of SQLite."""
        message = str(problem)
        kind = StoreDamaged if tells_damage(message) else StoreTrouble
        return kind(error_sentence(message, place))

    def read_only_sentence(self, engine: Engine) -> str:
        """The file or its folder cannot be written."""
        return (
            f"The store {engine.url.database} can be read but not changed, because the file or its "
            "folder cannot be written; see to its permissions, or work on a copy of the folder."
        )

    def check_new(self, connection: Connection, place: str) -> None:
        """Refuse a file with other tables."""
        if self.table_names(connection):
            raise StoreTrouble(
                f"{place} is a database, but not an arcdrift store; move it away "
                f"or choose another crew folder."
            )

    def prepare(self, engine: Engine) -> None:
        """Let readers never wait for a writer; the mode stays with the file."""
        with engine.connect() as connection:
            connection.rollback()
            raw = connection.connection.dbapi_connection
            if raw is not None:
                raw.cursor().execute("PRAGMA journal_mode=WAL")

    def table_names(self, connection: Connection) -> set[str]:
        """Names of all tables in the file."""
        return set(inspect(connection).get_table_names())

    def read_table(self, engine: Engine, query: Select[Any]) -> pa.Table | None:
        """Read rows through Arrow, unless the file is in use in this process."""
        from arcdrift.store.database.sqlite.arrow_reads import read_if_free

        return read_if_free(engine, query)

    def insert_rows(
        self, connection: Connection, table: Table, rows: pa.Table, progress: Progress | None
    ) -> None:
        """Add rows, many of them through a staging file."""
        from arcdrift.store.database.sqlite.staged_inserts import insert_rows

        insert_rows(connection, table, rows, progress)

    def inserting_together(self, connection: Connection) -> AbstractContextManager[RowInserter]:
        """Add rows of several tables through one staging file."""
        from arcdrift.store.database.sqlite.staged_inserts import inserting_together

        return inserting_together(connection)

    def last_id(self, connection: Connection, table: Table) -> int:
        """Highest id given to a row, also to one that is gone where ids never come back."""
        highest = connection.execute(select(func.max(table.columns.id))).scalar() or 0
        if table.dialect_options["sqlite"]["autoincrement"]:
            query = "SELECT seq FROM sqlite_sequence WHERE name = ?"
            given = connection.exec_driver_sql(query, (table.name,)).scalar() or 0
            highest = max(highest, given)
        return int(highest)

    def set_last_id(self, connection: Connection, table: Table, last: int) -> None:
        """Tell SQLite where ids never come back; elsewhere they follow the highest one there is."""
        if table.dialect_options["sqlite"]["autoincrement"]:
            forget = "DELETE FROM sqlite_sequence WHERE name = ?"
            connection.exec_driver_sql(forget, (table.name,))
            keep = "INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)"
            connection.exec_driver_sql(keep, (table.name, last))

    def copy_to_file(
        self, engine: Engine, path: Path, progress: Callable[[int, int], None]
    ) -> bool:
        """Copy the file, of one state, while others use it."""
        from arcdrift.store.database.sqlite.file_copy import copy_file

        copy_file(engine, path, progress)
        return True

    def full_damage(self, engine: Engine) -> list[str] | None:
        """What is wrong with the file, all of it read."""
        return full_damage(engine)

    def is_damaged(self, engine: Engine) -> bool:
        """Whether the file's pages are damaged."""
        return is_damaged(engine)

    def attach(self, connection: Connection, path: Path, name: str) -> bool:
        """Let the connection use another file: no second SQLite library must open it."""
        connection.exec_driver_sql(f"ATTACH DATABASE ? AS {name}", (str(path),))
        return True


def error_sentence(message: str, place: str) -> str:
    """What to tell a person about an error message of SQLite."""
    if tells_damage(message):
        return damaged_sentence(place)
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
