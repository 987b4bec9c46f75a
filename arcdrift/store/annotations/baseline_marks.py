"""Marks on the baselines of loss charts: days that a person excluded, baselines frozen."""

from datetime import date
from typing import Literal

import pandas as pd
from sqlalchemy import Engine

from arcdrift.errors import UsageError
from arcdrift.store import schema
from arcdrift.store.annotations import annotation_rows

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
    """Add a mark; return its number.

    Parameters
    ----------
    action : str
        ``exclude``: the days are neither judged nor learned from. ``freeze``: they are judged, and
        the baseline stays as it was before the first of them.
    last_day : date or None
        None for a freeze that lasts until it is withdrawn.
    splicer, program : str or None
        None for all.

    Raises
    ------
    UsageError
        When a note or name is missing or too long, or the days are in the wrong order.
    """
    note, said_by = note.strip(), said_by.strip()
    if not note or not said_by:
        raise UsageError("Say why and who: a change of the usual loss needs a note and a name.")
    if len(note) > annotation_rows.MAX_TEXT_LENGTH:
        raise UsageError(f"A note may be {annotation_rows.MAX_TEXT_LENGTH:,} characters long.")
    if last_day is not None and last_day < first_day:
        raise UsageError(f"The last day, {last_day}, lies before the first, {first_day}.")
    if action == "exclude" and last_day is None:
        raise UsageError("Days to leave out need a last day.")
    row = {
        "action": action, "splicer": splicer, "program": program,
        "first_day": first_day.isoformat(),
        "last_day": None if last_day is None else last_day.isoformat(),
        "note": note, "said_by": said_by,
    }  # fmt: skip
    return annotation_rows.add(engine, schema.baseline_marks, row)


def withdraw_mark(engine: Engine, number: int) -> None:
    """Withdraw a mark; it no longer has any effect.

    Raises
    ------
    UsageError
        When there is no such mark, or it was withdrawn before.
    """
    annotation_rows.withdraw(engine, schema.baseline_marks, number, "mark")


def marks(engine: Engine) -> pd.DataFrame:
    """Marks that were not withdrawn, the oldest first: the columns of ``baseline_marks``."""
    return annotation_rows.active_rows(engine, schema.baseline_marks)
