"""Sign-ins that were ended by signing out, so that a copy of their cookie is worth nothing."""

from datetime import UTC, datetime

from sqlalchemy import Engine, delete, insert, select

from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import writing

MAX_WAIT_SECONDS = 2.0
"""Whoever signs out does not wait for a large import to end."""


def end_sign_ins(engine: Engine, expires_at: dict[str, datetime]) -> None:
    """Record sign-ins as ended until they would have expired anyway.

    Parameters
    ----------
    expires_at : dict
        Last instant of each sign-in, by its number.

    Raises
    ------
    StoreTrouble
        When the store cannot be written now.
    """
    table = schema.ended_sign_ins
    with writing(engine, max_wait_s=MAX_WAIT_SECONDS) as connection:
        now = microseconds(datetime.now(UTC))
        connection.execute(delete(table).where(table.c.expires_at < now))
        known = select(table.c.sign_in).where(table.c.sign_in.in_(expires_at))
        recorded = set(connection.execute(known).scalars())
        rows = [
            {"sign_in": sign_in, "expires_at": microseconds(last)}
            for sign_in, last in expires_at.items()
            if sign_in not in recorded
        ]
        if rows:
            connection.execute(insert(table), rows)
