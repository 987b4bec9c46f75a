"""Idle connections of the Arrow driver.

Opening one takes some ten times as long as one of psycopg, because it reads the server's types
first; so they are kept.
"""

from contextlib import suppress
from queue import Empty, Full, LifoQueue
from typing import Any

IDLE = "arcdrift_idle_connections"
"""Execution option of an engine: its `IdleConnections`."""
_MOST_IDLE = 4


class IdleConnections:
    """Idle connections to one server; each is used by one thread at a time.

    Parameters
    ----------
    conninfo : str
        How libpq finds the server.
    """

    def __init__(self, conninfo: str) -> None:
        self.conninfo = conninfo
        self._idle: LifoQueue[Any] = LifoQueue(_MOST_IDLE)

    def take(self) -> Any | None:
        """Return a connection that nothing else uses; None where there is none."""
        try:
            return self._idle.get_nowait()
        except Empty:
            return None

    def keep(self, connection: Any) -> None:
        """Keep a connection that is no longer used, or close it where enough are kept."""
        try:
            self._idle.put_nowait(connection)
        except Full:
            self.discard(connection)

    def discard(self, connection: Any) -> None:
        """Close a connection, also one that was lost."""
        with suppress(Exception):
            connection.close()

    def close(self) -> None:
        """Close all that are idle."""
        while (connection := self.take()) is not None:
            self.discard(connection)

    def __del__(self) -> None:
        self.close()
