"""Empty stores for tests: copies of one, because declaring all the tables takes long."""

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Protocol

from sqlalchemy import Engine

from arcdrift.settings import STORE_FILE
from arcdrift.store.database.connect import open_store


class Server(Protocol):
    """What makes stores outside a crew folder."""

    def empty_store(self) -> Engine:
        """Open an empty store."""

    def copied_store(self, engine: Engine) -> Engine:
        """Open a copy of a store."""


_server: Server | None = None


def on_server(server: Server | None) -> None:
    """Make empty stores on a server from now on; None for files again."""
    global _server
    _server = server


def copy_empty_store(folder: Path) -> None:
    """Put the file of an empty store into a folder."""
    shutil.copy(_template() / STORE_FILE, folder)


def empty_store(folder: Path) -> Engine:
    """Open an empty store: in a folder that has none, or on the server."""
    if _server is not None:
        return _server.empty_store()
    copy_empty_store(folder)
    return open_store(folder)


def copied_store(engine: Engine, folder: Path) -> Engine:
    """Open a copy of a store that nothing else uses, in a folder that has none or on the server."""
    if _server is not None:
        return _server.copied_store(engine)
    engine.dispose()
    shutil.copy(str(engine.url.database), folder)
    return open_store(folder)


@cache
def _template() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="empty-store-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    open_store(folder).dispose()
    return folder
