"""Reading a SQLite file that cannot be written, or whose folder cannot."""

import os
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from arcdrift.store.database.dialect import is_read_only
from arcdrift.store.database.sqlite.sqlite_gate import GatedConnection


def is_writable(path: Path) -> bool:
    """Whether a store's file and its folder can be written; the file need not exist."""
    return os.access(path.parent, os.W_OK) and (not path.exists() or os.access(path, os.W_OK))


def read_only_address(path: str) -> str:
    """Address by which SQLite opens a file for reading only.

    The write-ahead log of a store takes two more files beside it. Where they are missing and the
    folder cannot be written, SQLite opens the file only if told that nobody changes it.
    """
    mode = "mode=ro"
    if not os.access(Path(path).parent, os.W_OK) and not Path(f"{path}-wal").exists():
        mode += "&immutable=1"
    return f"{Path(path).absolute().as_uri()}?{mode}"


def database_address(engine: Engine) -> str:
    """Address of an embedded store for another driver of SQLite."""
    path = str(engine.url.database)
    return read_only_address(path) if is_read_only(engine) else path


class ReadOnlyConnection(GatedConnection):
    """A connection that opens its file for reading only."""

    def __init__(self, database: str, *args: Any, **kwargs: Any) -> None:
        super().__init__(database, *args, address=read_only_address(database), uri=True, **kwargs)
