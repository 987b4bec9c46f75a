"""Counts and digests of the tables in a SQLite file.

They do not depend on the version of the tables, so that an old backup can be checked as it is.
"""

import json
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

_BATCH_ROWS = 20_000
_MOST_PROBLEMS = 5

CountRows = Callable[[int], None]
"""Called with the number of rows just read."""


@dataclass(frozen=True)
class TableDigest:
    """What a table holds.

    Attributes
    ----------
    rows : int
    sha256 : str
        Of all rows with all columns as JSON, in the order of the file.
    """

    rows: int
    sha256: str


def read_only_connection(path: Path) -> sqlite3.Connection:
    """Open a SQLite file that nothing else uses, for reading."""
    address = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
    return sqlite3.connect(address, uri=True, isolation_level=None)


def table_digests(
    connection: sqlite3.Connection, progress: CountRows | None = None
) -> dict[str, TableDigest]:
    """Digest all tables of a file, by name."""
    names = [
        str(name)
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite~_%' "
            "ESCAPE '~' ORDER BY name"
        )
    ]
    return {name: _digest(connection, name, progress) for name in names}


def _digest(connection: sqlite3.Connection, name: str, progress: CountRows | None) -> TableDigest:
    digest, rows = sha256(), 0
    quoted = name.replace('"', '""')
    # in the order of the table itself, whatever index a version of SQLite would choose
    cursor = connection.execute(f'SELECT * FROM "{quoted}" NOT INDEXED')  # noqa: S608 - quoted
    digest.update(json.dumps([column[0] for column in cursor.description]).encode())
    while batch := cursor.fetchmany(_BATCH_ROWS):
        # escapes beyond ASCII and the shortest form of a float: the same on every machine
        digest.update(json.dumps(batch, default=_as_text).encode())
        rows += len(batch)
        if progress is not None:
            progress(len(batch))
    return TableDigest(rows, digest.hexdigest())


def _as_text(value: object) -> str:
    if isinstance(value, bytes):
        return f"x'{value.hex()}'"
    raise TypeError(f"no value of a table: {type(value)}")


def damage_in(connection: sqlite3.Connection) -> list[str]:
    """What a full check of pages, indexes and references finds wrong; empty where all is sound."""
    found = [
        " ".join(str(line).split())
        for (line,) in connection.execute(f"PRAGMA integrity_check({_MOST_PROBLEMS})")
        if line != "ok"
    ]
    if not found:
        dangling = connection.execute("PRAGMA foreign_key_check").fetchmany(_MOST_PROBLEMS)
        found = [f"row {row[1]} of {row[0]} refers to no row of {row[2]}" for row in dangling]
    return found
