"""The mark of a store whose records were moved elsewhere; it stays behind, and nobody may use it.

It stands where the number of the last migration stands, so that an older arcdrift refuses the store
as well.
"""

from sqlalchemy import Connection, text

from arcdrift.errors import StoreTrouble

MOVED = "moved"


def require_not_moved(connection: Connection, place: str) -> None:
    """Check that the records of a store are still in it.

    Raises
    ------
    StoreTrouble
        When they were moved.
    """
    if connection.execute(_VERSION).scalar() == MOVED:
        raise StoreTrouble(moved_sentence(place))


def mark_moved(connection: Connection) -> None:
    """Mark a store whose records are elsewhere from now on."""
    connection.execute(text("UPDATE alembic_version SET version_num = :moved"), {"moved": MOVED})


def moved_sentence(place: str) -> str:
    """What to tell a person who opens a store whose records were moved."""
    return (
        f"The records of the store {place} were moved elsewhere with `arcdrift move`; `store` in "
        "crew.toml says where they are. Start what you were running again."
    )


_VERSION = text("SELECT version_num FROM alembic_version")
