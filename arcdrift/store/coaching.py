"""The coaching log: what somebody told a person, kept apart from all figures."""

from datetime import date

import pandas as pd
from sqlalchemy import Engine

from arcdrift.errors import UsageError
from arcdrift.store import schema
from arcdrift.store.annotations import LONGEST, standing, take_back, write_down


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
    row = {"technician": technician, "held_on": held_on.isoformat(), "topic": topic,
           "note": note, "said_by": said_by}  # fmt: skip
    return write_down(engine, schema.coaching, row)


def withdraw_note(engine: Engine, number: int) -> None:
    """Take a note back; it no longer shows.

    Raises
    ------
    UsageError
        When there is no such note, or it was taken back before.
    """
    take_back(engine, schema.coaching, number, "coaching note")


def notes(engine: Engine, technician: str | None = None) -> pd.DataFrame:
    """Notes that stand, the oldest first: the columns of ``coaching``."""
    who = schema.coaching.columns.technician
    return standing(engine, schema.coaching, *([] if technician is None else [who == technician]))
