"""Looks for damage of a store where something went wrong that nobody expected.

Damaged pages may be read without an error and hold nonsense, which then fails far from here.
"""

from sqlalchemy import Engine

from arcdrift.errors import StoreDamaged
from arcdrift.store.database.connect import place
from arcdrift.store.database.dialects import dialect_of


def require_sound(engine: Engine, problem: Exception | None = None) -> None:
    """Check that a store is not damaged.

    Parameters
    ----------
    problem : Exception, optional
        What went wrong.

    Raises
    ------
    StoreDamaged
        When it is, with what to do next.
    """
    dialect = dialect_of(engine)
    if dialect.is_damaged(engine):
        # in the words for it of the database itself
        words = StoreDamaged("database disk image is malformed")
        raise dialect.trouble(words, place(engine)) from problem
