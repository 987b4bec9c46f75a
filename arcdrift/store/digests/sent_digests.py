"""Messages that told readers what was new: at most one a day, and none lost without a word.

No program can both send a message and note that it was sent in one step, so a kill between the
two leaves a doubt. A message is therefore *claimed*, which nobody but the claiming run has seen;
*sending* is noted just before the last byte may leave; *sent* or *failed* when the server has
answered. A claim that was left behind is taken up again, because nothing had left. A message left
in *sending* may have arrived: it is not sent again that day, every run says so, and because it
does not count as told, the next day's message tells all of it again. So a person gets at most one
message a day, and hears everything, now and then twice.
"""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Literal

from sqlalchemy import Connection, Engine, Row, insert, select, update

from arcdrift.instants import instant_at, microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import reading, writing

CLAIM_LASTS = timedelta(minutes=10)
"""How long a claim is honored; longer than all time limits of sending one message together."""
CLOCK_LEADS = timedelta(days=2)
"""A message of a day so far ahead was sent before this computer's clock was set back; of one that
is further ahead the clock was plainly wrong, and it does not forbid today's."""

Refusal = Literal["already-sent", "in-progress", "in-doubt"]


@dataclass(frozen=True)
class Claim:
    """The right to send one message.

    Attributes
    ----------
    refusal : str or None
        Why there is none: one was sent today, another run is sending it, or an earlier run was
        ended while it sent it.
    at : datetime or None
        Of a refusal: when that message was begun (UTC).
    """

    token: str
    refusal: Refusal | None = None
    at: datetime | None = None


@dataclass(frozen=True)
class Past:
    """What is known of the messages to a reader.

    Attributes
    ----------
    told : str or None
        What the reader knows by the last message that surely arrived, as stored.
    untold_since : datetime or None
        If none arrived yet: where the first that was tried begins (UTC).
    in_doubt : date or None
        Workday of the latest message after it of which it is not known whether it arrived.
    """

    told: str | None
    untold_since: datetime | None
    in_doubt: date | None


def recipient_key(recipient: str) -> str:
    """Digest of an address or a webhook, by which its messages are known without naming it."""
    return hashlib.blake2b(recipient.encode(), digest_size=16).hexdigest()


def past_messages(engine: Engine, recipient: str, now: datetime) -> Past:
    """Return what is known of the messages to a recipient.

    Parameters
    ----------
    recipient : str
        From `recipient_key`.
    now : datetime
        The present (UTC): a message that another run is sending just now is not in doubt.
    """
    table = schema.digest_messages
    query = select(table).where(table.columns.recipient == recipient).order_by(table.columns.id)
    with reading(engine) as connection:
        rows = connection.execute(query).all()
    last = next((row for row in reversed(rows) if row.told is not None), None)
    after = [
        row
        for row in rows
        if row.state == "sending"
        and not _is_fresh(row, now)
        and (last is None or row.begun_at >= last.begun_at)
    ]
    return Past(
        told=None if last is None else str(last.told),
        untold_since=instant_at(min(row.since for row in rows)) if rows and last is None else None,
        in_doubt=date.fromisoformat(max(row.day for row in after)) if after else None,
    )


def state_today(engine: Engine, recipient: str, day: date, now: datetime) -> Claim:
    """Return whether a message could be claimed, without claiming it; its token is empty."""
    with reading(engine) as connection:
        return _refusal(_rows_near(connection, recipient, day), day, now) or Claim("")


def claim_message(
    engine: Engine, recipient: str, reader: str, day: date, since: datetime, now: datetime
) -> Claim:
    """Claim the message of a workday to a recipient, or say why not.

    Parameters
    ----------
    reader : str
        Name in crew.toml.
    since : datetime
        Where what it tells begins (UTC).
    now : datetime
        The present (UTC).
    """
    table, token = schema.digest_messages, secrets.token_hex(16)
    values: dict[str, Any] = {
        "reader": reader, "state": "claimed", "token": token, "begun_at": microseconds(now),
        "ended_at": None,
    }  # fmt: skip
    with writing(engine) as connection:
        rows = _rows_near(connection, recipient, day)
        refused = _refusal(rows, day, now)
        if refused is not None:
            return refused
        today = next((row for row in rows if row.day == day.isoformat()), None)
        if today is None:
            connection.execute(
                insert(table).values(
                    recipient=recipient, day=day.isoformat(), since=microseconds(since), **values
                )
            )
        else:
            connection.execute(update(table).where(table.columns.id == today.id).values(**values))
    return Claim(token)


def note_sending(engine: Engine, token: str) -> bool:
    """Note that a claimed message is about to leave; False if another run has taken it up."""
    return _change(engine, token, "claimed", {"state": "sending"})


def note_sent(engine: Engine, token: str, told: str, now: datetime) -> None:
    """Note that a message was taken by its server, and what the reader now knows."""
    table = schema.digest_messages
    with writing(engine) as connection:
        row = connection.execute(select(table).where(table.columns.token == token)).one()
        same = table.columns.recipient == row.recipient
        connection.execute(update(table).where(same).values(told=None))
        connection.execute(
            update(table)
            .where(table.columns.token == token)
            .values(state="sent", told=told, ended_at=microseconds(now))
        )


def note_failed(engine: Engine, token: str, now: datetime) -> None:
    """Note that a message did not leave or was refused; it may be tried again."""
    _change(engine, token, None, {"state": "failed", "ended_at": microseconds(now)})


def note_quiet(
    engine: Engine, recipient: str, reader: str, day: date, told: str, now: datetime
) -> None:
    """Note what a reader knows who was never told anything, because nothing was new.

    What is then imported late is new to them, although it is of earlier days.
    """
    table = schema.digest_messages
    with writing(engine) as connection:
        known = select(table.columns.id).where(table.columns.recipient == recipient)
        if connection.execute(known).first() is not None:
            return
        connection.execute(
            insert(table).values(
                recipient=recipient, reader=reader, day=day.isoformat(), state="quiet",
                token=secrets.token_hex(16), since=microseconds(now), begun_at=microseconds(now),
                ended_at=microseconds(now), told=told,
            )
        )  # fmt: skip


def _change(engine: Engine, token: str, state: str | None, values: dict[str, Any]) -> bool:
    table = schema.digest_messages
    change = update(table).where(table.columns.token == token)
    if state is not None:
        change = change.where(table.columns.state == state)
    with writing(engine) as connection:
        return connection.execute(change.values(**values)).rowcount == 1


def _rows_near(connection: Connection, recipient: str, day: date) -> list[Row[Any]]:
    """Messages of a workday and of the few days after it, today's first."""
    table = schema.digest_messages
    query = select(table).where(
        table.columns.recipient == recipient,
        table.columns.day >= day.isoformat(),
        table.columns.day <= (day + CLOCK_LEADS).isoformat(),
    )
    return list(connection.execute(query.order_by(table.columns.day)).all())


def _refusal(rows: list[Row[Any]], day: date, now: datetime) -> Claim | None:
    for row in rows:
        at = instant_at(row.begun_at)
        if row.state == "sent":
            return Claim("", "already-sent", at)
        if row.state == "sending":
            return Claim("", "in-progress" if _is_fresh(row, now) else "in-doubt", at)
        if row.state == "claimed" and row.day == day.isoformat() and _is_fresh(row, now):
            return Claim("", "in-progress", at)
    return None


def _is_fresh(row: Row[Any], now: datetime) -> bool:
    """Whether a run may still have a message in hand; a clock that was moved counts both ways."""
    return abs(now - instant_at(row.begun_at)) < CLAIM_LASTS
