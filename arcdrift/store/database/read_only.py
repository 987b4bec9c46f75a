"""Refuses to change a store that can only be read: a file without permission, a standby server."""

from sqlalchemy import Engine

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.dialect import is_read_only
from arcdrift.store.database.dialects import dialect_of


def require_writable(engine: Engine) -> None:
    """Check that a store can be written.

    Raises
    ------
    StoreTrouble
        If it can only be read.
    """
    if is_read_only(engine):
        raise StoreTrouble(dialect_of(engine).read_only_sentence(engine))
