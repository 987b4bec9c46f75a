"""What a person said of the loss charts' baselines: days left out, baselines frozen."""

from datetime import UTC, date, datetime
from typing import Literal

import pandas as pd
from sqlalchemy import Engine, insert, select, update

from arcdrift.errors import UsageError
from arcdrift.store import read, schema
from arcdrift.store.connect import writing
from arcdrift.store.frames import microseconds

LONGEST = 2000
Action = Literal["exclude", "freeze"]


def add_mark(
    engine: Engine,
    action: Action,
    first_day: date,
    last_day: date | None,
    *,
    splicer: str | None = None,
    program: str | None = None,
    note: str,
    said_by: str,
) -> int:
    """Write a mark down; return its number.

    Parameters
    ----------
    action : str
        ``exclude``: the days are neither judged nor learned from. ``freeze``: they are judged, and
        the baseline stays as it was before the first of them.
    last_day : date or None
        None for a freeze that lasts until it is taken back.
    splicer, program : str or None
        None for all.

    Raises
    ------
    UsageError
        When a note or name is missing or too long, or the days are in the wrong order.
    """
    note, said_by = note.strip(), said_by.strip()
    if not note or not said_by:
        raise UsageError("Say why and who: a change of a baseline needs a note and a name.")
    if len(note) > LONGEST:
        raise UsageError(f"A note may be {LONGEST:,} characters long.")
    if last_day is not None and last_day < first_day:
        raise UsageError(f"The last day, {last_day}, lies before the first, {first_day}.")
    if action == "exclude" and last_day is None:
        raise UsageError("Days to leave out need a last day.")
    with writing(engine) as connection:
        done = connection.execute(
            insert(schema.baseline_marks).values(
                action=action, splicer=splicer, program=program,
                first_day=first_day.isoformat(),
                last_day=None if last_day is None else last_day.isoformat(),
                note=note, said_by=said_by, recorded_at=microseconds(datetime.now(UTC)),
            )
        )  # fmt: skip
        key = done.inserted_primary_key
        assert key is not None  # noqa: S101 - a single-row insert always has one
    return int(key[0])


def withdraw_mark(engine: Engine, number: int) -> None:
    """Take a mark back; it no longer counts.

    Raises
    ------
    UsageError
        When there is no such mark, or it was taken back before.
    """
    known = marks(engine)
    if number not in set(known["id"]):
        listed = ", ".join(map(str, known["id"])) or "none"
        raise UsageError(f"There is no baseline mark {number}; on record: {listed}.")
    table = schema.baseline_marks
    with writing(engine) as connection:
        connection.execute(
            update(table)
            .where(table.columns.id == number)
            .values(undone_at=microseconds(datetime.now(UTC)))
        )


def marks(engine: Engine) -> pd.DataFrame:
    """Marks that stand, the oldest first: the columns of ``baseline_marks``."""
    table = schema.baseline_marks
    query = select(table).where(table.columns.undone_at.is_(None))
    return read.fetch(engine, query, order=["id"])
