"""Annotations: rows that people add to the store and may withdraw, with who said so and when.

A withdrawn row stays in its table with the time of its withdrawal.
"""

from datetime import UTC, datetime
from typing import Any

import pandas as pd
from sqlalchemy import ColumnElement, Engine, Table, insert, select, update

from arcdrift.errors import UsageError
from arcdrift.instants import microseconds
from arcdrift.store.database.connect import writing
from arcdrift.store.database.fetch import fetch

MAX_TEXT_LENGTH = 2000
"""Most characters that one text of an annotation may have."""


def add(engine: Engine, table: Table, row: dict[str, Any]) -> int:
    """Add a row with the present time; return its number."""
    statement = insert(table).values(**row, recorded_at=microseconds(datetime.now(UTC)))
    with writing(engine) as connection:
        return int(connection.execute(statement.returning(table.columns.id)).scalar_one())


def withdraw(engine: Engine, table: Table, number: int, noun: str) -> None:
    """Mark a row as withdrawn.

    Parameters
    ----------
    noun : str
        What a row of the table is called in messages.

    Raises
    ------
    UsageError
        When there is no active row of that number.
    """
    known = active_rows(engine, table)
    if number not in set(known["id"]):
        listed = ", ".join(map(str, known["id"])) or "none"
        raise UsageError(f"There is no {noun} {number}; on record: {listed}.")
    with writing(engine) as connection:
        connection.execute(
            update(table)
            .where(table.columns.id == number)
            .values(undone_at=microseconds(datetime.now(UTC)))
        )


def active_rows(engine: Engine, table: Table, *conditions: ColumnElement[bool]) -> pd.DataFrame:
    """Rows that were not withdrawn, the oldest first, with all columns of the table."""
    query = select(table).where(table.columns.undone_at.is_(None), *conditions)
    return fetch(engine, query, order=["id"])
