"""Locks of running imports: a small file beside the store for each.

The operating system releases the lock however the import ends.
"""

import sqlite3
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from sqlalchemy import Engine

from arcdrift.errors import StoreTrouble

_PREFIX = ".arcdrift-import-"
_MIN_ORPHAN_AGE_S = 60.0
"""A lock file younger than this may just be about to be locked."""


class LockFiles:
    """Implements `arcdrift.store.database.dialect.ImportLocks`."""

    @contextmanager
    def hold(self, engine: Engine, token: str) -> Iterator[None]:
        """Lock an empty SQLite file: works on every system, and a killed program releases it."""
        path = _lock_file(engine, token)
        try:
            connection = sqlite3.connect(path, timeout=0, isolation_level=None)
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as problem:
            raise StoreTrouble(
                f"The folder {path.parent} cannot be written ({problem}); check its permissions "
                f"and that its disk is there and has room."
            ) from problem
        try:
            yield
        finally:
            connection.close()
            _remove(path)

    def held(self, engine: Engine, tokens: Collection[str]) -> set[str]:
        """Return those of these imports whose files are locked."""
        return {token for token in tokens if _is_locked(_lock_file(engine, token))}

    def clear(self, engine: Engine, ended: Collection[str], known: Collection[str]) -> None:
        """Remove the files of imports that were interrupted, and free ones of no known import.

        Such a one is left where an import ends just before or after its work.
        """
        for token in ended:
            _remove(_lock_file(engine, token))
        for path in _lock_file(engine, "").parent.glob(f"{_PREFIX}*"):
            token = path.name.removeprefix(_PREFIX).removesuffix("-journal")
            with suppress(OSError):
                old = time.time() - path.stat().st_mtime > _MIN_ORPHAN_AGE_S
                if old and token not in known and not _is_locked(_lock_file(engine, token)):
                    path.unlink()


def _lock_file(engine: Engine, token: str) -> Path:
    return Path(str(engine.url.database)).parent / f"{_PREFIX}{token}"


def _remove(path: Path) -> None:
    for file in (path, path.with_name(path.name + "-journal")):
        with suppress(OSError):
            file.unlink()


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
