"""What people wrote down: rows that stand until they are taken back, with who and when."""

from datetime import UTC, datetime
from typing import Any

import pandas as pd
from sqlalchemy import ColumnElement, Engine, Table, insert, select, update

from arcdrift.errors import UsageError
from arcdrift.store import read
from arcdrift.store.connect import writing
from arcdrift.times import microseconds

LONGEST = 2000
"""Characters of one text."""


def write_down(engine: Engine, table: Table, row: dict[str, Any]) -> int:
    """Add a row and when it was written; return its number."""
    with writing(engine) as connection:
        done = connection.execute(
            insert(table).values(**row, recorded_at=microseconds(datetime.now(UTC)))
        )
        key = done.inserted_primary_key
        assert key is not None  # noqa: S101 - a single-row insert always has one
    return int(key[0])


def take_back(engine: Engine, table: Table, number: int, what: str) -> None:
    """Mark a row as taken back.

    Raises
    ------
    UsageError
        When no such row stands.
    """
    known = standing(engine, table)
    if number not in set(known["id"]):
        listed = ", ".join(map(str, known["id"])) or "none"
        raise UsageError(f"There is no {what} {number}; on record: {listed}.")
    with writing(engine) as connection:
        connection.execute(
            update(table)
            .where(table.columns.id == number)
            .values(undone_at=microseconds(datetime.now(UTC)))
        )


def standing(engine: Engine, table: Table, *which: ColumnElement[bool]) -> pd.DataFrame:
    """Rows that stand, the oldest first, all columns of the table."""
    query = select(table).where(table.columns.undone_at.is_(None), *which)
    return read.fetch(engine, query, order=["id"])
