"""The coaching log: notes about sessions with technicians, which no figure depends on."""

from datetime import date

import pandas as pd
from sqlalchemy import Engine

from arcdrift.errors import UsageError
from arcdrift.store import schema
from arcdrift.store.annotations import annotation_rows


def add_note(
    engine: Engine, technician: str, held_on: date, topic: str, note: str, said_by: str,
    *, today: date | None = None,
) -> int:  # fmt: skip
    """Add a note; return its number.

    Parameters
    ----------
    today : date, optional
        Present local day; a session cannot have been held after it.

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
    if max(len(note), len(topic)) > annotation_rows.MAX_TEXT_LENGTH:
        raise UsageError(
            f"A coaching note may be {annotation_rows.MAX_TEXT_LENGTH:,} characters long."
        )
    row = {"technician": technician, "held_on": held_on.isoformat(), "topic": topic,
           "note": note, "said_by": said_by}  # fmt: skip
    return annotation_rows.add(engine, schema.coaching, row)


def withdraw_note(engine: Engine, number: int) -> None:
    """Withdraw a note; it no longer shows.

    Raises
    ------
    UsageError
        When there is no such note, or it was withdrawn before.
    """
    annotation_rows.withdraw(engine, schema.coaching, number, "coaching note")


def notes(engine: Engine, technician: str | None = None) -> pd.DataFrame:
    """Notes that were not withdrawn, the oldest first: the columns of ``coaching``."""
    conditions = []
    if technician is not None:
        conditions.append(schema.coaching.columns.technician == technician)
    return annotation_rows.active_rows(engine, schema.coaching, *conditions)
