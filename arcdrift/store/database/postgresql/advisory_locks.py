"""Locks of running imports: an advisory lock for each, on a connection of its own.

The server releases it however the import ends, also when the program is killed or its computer
disappears.
"""

from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from typing import Any

import psycopg
from sqlalchemy import Engine

_HALF = 32
_HELD = """
SELECT classid::bigint << 32 | objid::bigint FROM pg_locks
WHERE locktype = 'advisory' AND objsubid = 1 AND granted
    AND database = (SELECT oid FROM pg_database WHERE datname = current_database())
"""


class AdvisoryLocks:
    """Implements `arcdrift.store.database.dialect.ImportLocks`."""

    @contextmanager
    def hold(self, engine: Engine, token: str) -> Iterator[None]:
        """Hold an advisory lock whose key is the token."""
        pooled = engine.raw_connection()
        raw: Any = pooled.dbapi_connection
        pooled.detach()
        try:
            raw.autocommit = True
            raw.execute(f"SELECT pg_advisory_lock({_key(token)})")
            yield
        finally:
            with suppress(psycopg.Error):
                raw.close()

    def held(self, engine: Engine, tokens: Collection[str]) -> set[str]:
        """Return those of these imports whose locks are held, on any computer."""
        with engine.connect() as connection:
            keys = set(connection.exec_driver_sql(_HELD).scalars())
        return {token for token in tokens if _key(token) in keys}

    def clear(self, engine: Engine, ended: Collection[str], known: Collection[str]) -> None:
        """Do nothing: a lock that was released leaves nothing behind."""


def _key(token: str) -> int:
    """The 64 bits of a token as the server writes them."""
    return int.from_bytes(bytes.fromhex(token), signed=True)
