"""Tells whether the SQLite file of a store is damaged, and what to do then.

What can be told without opening the file is looked at before each opening, because SQLite takes an
empty file for a new database and drops the damaged end of a write-ahead log. Its own checks then
find a wrong header or length at the first read, and damaged pages when they are read.
"""

import shlex
import sqlite3
import time
from pathlib import Path

from sqlalchemy import Connection, Engine, String, inspect
from sqlalchemy.exc import DatabaseError

from arcdrift.backup_files import BACKUPS, newest_backup
from arcdrift.errors import StoreDamaged, StoreTrouble
from arcdrift.store.database.sqlite.write_ahead_log import log_of, lost_commits

DAMAGE_WORDS = ("not a database", "malformed", "Could not decode to UTF-8")
"""In messages of SQLite, whichever driver passes them on."""
_CREATION_S = 2.0
"""Longest that a file stays empty while a program is making it."""
_MOST_PROBLEMS = 5
_ROWS_AT_ONCE = 10_000


def tells_damage(message: str) -> bool:
    """Whether a message of SQLite says that the file is damaged."""
    return any(words in message for words in DAMAGE_WORDS)


def damaged_sentence(place: str, what: str = "is damaged or is not a store") -> str:
    """Say that the file at this place is damaged, and what to do next."""
    folder = Path(place).parent
    backup = newest_backup(folder)
    if backup is None:
        return (
            f"The store {place} {what}, and no backup of it was found in {folder / BACKUPS}; copy "
            "the folder, then see what can be saved (README, A damaged store)."
        )
    command = shlex.join(["arcdrift", "restore", str(backup), str(folder), "--replace"])
    return (
        f"The store {place} {what}; nothing was changed. Restore its newest backup with "
        f"`{command}`, which keeps the damaged files aside."
    )


def require_undamaged(path: Path) -> None:
    """Check what can be told of a store's file without opening it.

    Raises
    ------
    StoreDamaged
        When it is empty, is gone while its write-ahead log is there, or that log is damaged.
    """
    if not path.exists():
        if _size(log_of(path)):
            what = f"is gone, though its write-ahead log {log_of(path).name} is still there"
            raise StoreDamaged(damaged_sentence(str(path), what))
        return
    if path.is_file() and _stays_empty(path):
        raise StoreDamaged(
            damaged_sentence(str(path), "is damaged: the file is empty")
            + f" If nothing was ever imported here, delete {path.name} instead."
        )
    if commits := lost_commits(path, cheaply=True):
        raise StoreDamaged(damaged_sentence(str(path), log_damage(commits)))


def log_damage(commits: int) -> str:
    """Words for the damage of a write-ahead log that holds so many changes after it."""
    changes = "1 finished change" if commits == 1 else f"{commits} finished changes"
    return f"has a damaged write-ahead log, and {changes} would be lost"


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _stays_empty(path: Path) -> bool:
    deadline = time.monotonic() + _CREATION_S
    while path.exists() and _size(path) == 0:
        if time.monotonic() > deadline or time.time() - path.stat().st_mtime > _CREATION_S:
            return path.exists() and _size(path) == 0
        time.sleep(0.05)
    return False


def full_damage(engine: Engine) -> list[str]:
    """What a full check of a store finds wrong, of pages, indexes, references, texts and the log.

    Raises
    ------
    StoreTrouble
        When the store cannot be read for another reason.
    """
    path = Path(str(engine.url.database))
    if commits := lost_commits(path):
        return [log_damage(commits)]
    try:
        with engine.connect() as connection:
            lines = connection.exec_driver_sql(f"PRAGMA integrity_check({_MOST_PROBLEMS})")
            found = [" ".join(str(line).split()) for line in lines.scalars() if line != "ok"]
            if not found:
                rows = connection.exec_driver_sql("PRAGMA foreign_key_check")
                dangling = rows.fetchmany(_MOST_PROBLEMS)
                found = [
                    f"row {row[1]} of {row[0]} refers to no row of {row[2]}" for row in dangling
                ]
            if not found:
                _read_all_text(connection)
    except (DatabaseError, sqlite3.DatabaseError) as problem:
        if tells_damage(str(problem)):
            return [str(getattr(problem, "orig", None) or problem)]
        raise
    return found


def _read_all_text(connection: Connection) -> None:
    """Read every text of a store: SQLite itself does not look whether it is one.

    Raises
    ------
    DatabaseError
        When one cannot be decoded.
    """
    for table in inspect(connection).get_table_names():
        columns = inspect(connection).get_columns(table)
        texts = [f'"{each["name"]}"' for each in columns if isinstance(each["type"], String)]
        if texts:
            query = f'SELECT {", ".join(texts)} FROM "{table}"'  # noqa: S608 - the store's own names
            result = connection.exec_driver_sql(query)
            while result.fetchmany(_ROWS_AT_ONCE):
                pass


def is_damaged(engine: Engine) -> bool:
    """Whether the pages of a store are damaged; asked when something went wrong for no reason."""
    try:
        with engine.connect() as connection:
            return connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() != "ok"
    except (DatabaseError, sqlite3.DatabaseError) as problem:
        return tells_damage(str(problem))
    except StoreTrouble:
        return False
