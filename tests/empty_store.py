"""Empty stores for tests: copies of one, because declaring all the tables takes long."""

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from sqlalchemy import Engine

from arcdrift.settings import STORE_FILE
from arcdrift.store.database.connect import open_store


def copy_empty_store(folder: Path) -> None:
    """Put the file of an empty store into a folder."""
    shutil.copy(_template() / STORE_FILE, folder)


def empty_store(folder: Path) -> Engine:
    """Open an empty store in a folder that has none."""
    copy_empty_store(folder)
    return open_store(folder)


@cache
def _template() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="empty-store-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    open_store(folder).dispose()
    return folder
