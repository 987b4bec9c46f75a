"""The coaching log: what somebody told a person, kept apart from all figures."""

from datetime import UTC, date, datetime

import pandas as pd
from sqlalchemy import Engine, insert, select, update

from arcdrift.errors import UsageError
from arcdrift.store import read, schema
from arcdrift.store.connect import writing
from arcdrift.store.frames import microseconds

LONGEST = 2000


def add_note(
    engine: Engine, technician: str, held_on: date, topic: str, note: str, said_by: str,
    *, today: date | None = None,
) -> int:  # fmt: skip
    """Write a note down; return its number.

    Parameters
    ----------
    today : date, optional
        Local day after which nothing can have been held yet.

    Raises
    ------
    UsageError
        When the topic or the name of who says so is missing, the text is too long, or the day
        has not come yet.
    """
    if today is not None and held_on > today:
        raise UsageError(f"{held_on} has not come yet; a note is about what was done.")
    topic, note, said_by = topic.strip(), note.strip(), said_by.strip()
    if not topic or not said_by:
        raise UsageError("A coaching note needs a topic and a name; give --topic and --by.")
    if len(note) > LONGEST or len(topic) > LONGEST:
        raise UsageError(f"A coaching note may be {LONGEST:,} characters long.")
    with writing(engine) as connection:
        done = connection.execute(
            insert(schema.coaching).values(
                technician=technician, held_on=held_on.isoformat(), topic=topic, note=note,
                said_by=said_by, recorded_at=microseconds(datetime.now(UTC)),
            )
        )  # fmt: skip
        key = done.inserted_primary_key
        assert key is not None  # noqa: S101 - a single-row insert always has one
    return int(key[0])


def withdraw_note(engine: Engine, number: int) -> None:
    """Take a note back; it no longer shows.

    Raises
    ------
    UsageError
        When there is no such note, or it was taken back before.
    """
    known = notes(engine)
    if number not in set(known["id"]):
        listed = ", ".join(map(str, known["id"])) or "none"
        raise UsageError(f"There is no coaching note {number}; on record: {listed}.")
    table = schema.coaching
    with writing(engine) as connection:
        connection.execute(
            update(table)
            .where(table.columns.id == number)
            .values(undone_at=microseconds(datetime.now(UTC)))
        )


def notes(engine: Engine, technician: str | None = None) -> pd.DataFrame:
    """Notes that stand, the oldest first: the columns of ``coaching``."""
    table = schema.coaching
    query = select(table).where(table.columns.undone_at.is_(None))
    if technician is not None:
        query = query.where(table.columns.technician == technician)
    return read.fetch(engine, query, order=["id"])
