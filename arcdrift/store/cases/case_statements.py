"""What people say about cases: an append-only list, by which two people do not undo each other."""

from collections.abc import Collection
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine, insert, select

from arcdrift.case import CaseStatement
from arcdrift.errors import StaleChange, UsageError
from arcdrift.instants import instant_at, microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import reading, writing

MAX_TEXT_LENGTH = 2000
"""Most characters of a reason."""
MAX_NAME_LENGTH = 100
VERBS = {
    "take": "took it on", "done": "said that the work is done", "close": "closed it",
    "reopen": "opened it again",
}  # fmt: skip


def read_statements(engine: Engine, case_ids: Collection[str] | None = None) -> list[CaseStatement]:
    """Return what people said, in order; about some cases only if their ids are given."""
    with reading(engine) as connection:
        return _statements(connection, case_ids)


def read_action_times(engine: Engine) -> dict[str, list[datetime]]:
    """Return when people said that something was done (UTC), by id of the case."""
    found: dict[str, list[datetime]] = {}
    for statement in read_statements(engine):
        if statement.action == "done":
            at = statement.acted_on or statement.recorded_at
            found.setdefault(statement.case_id, []).append(at)
    return found


def add_statement(
    engine: Engine,
    statement: CaseStatement,
    *,
    same_case: Collection[str] = (),
    based_on: int | None,
) -> int:
    """Add what a person says about a case; return how many statements there are now.

    Parameters
    ----------
    same_case : collection of str
        Further ids of the same case, whose statements count too.
    based_on : int or None
        Number of statements that the person knew; None if they looked a moment ago.

    Raises
    ------
    UsageError
        When the name is missing, or a text is too long.
    StaleChange
        When somebody else said something meanwhile; the sentence tells what.
    """
    said_by, why = statement.said_by.strip(), statement.why.strip()
    if not said_by:
        raise UsageError("Say who you are: a statement about a case needs a name; give --by NAME.")
    if len(said_by) > MAX_NAME_LENGTH or len(why) > MAX_TEXT_LENGTH:
        raise UsageError(
            f"A name may be {MAX_NAME_LENGTH} and a reason {MAX_TEXT_LENGTH:,} characters long."
        )
    table = schema.case_statements
    with writing(engine) as connection:
        known = _statements(connection, {statement.case_id, *same_case})
        if based_on is not None and based_on != len(known):
            raise StaleChange(_meanwhile(known))
        connection.execute(
            insert(table).values(
                case_id=statement.case_id,
                action=statement.action,
                how=statement.how,
                why=why,
                acted_on=None if statement.acted_on is None else microseconds(statement.acted_on),
                evidence_until=microseconds(statement.evidence_until),
                said_by=said_by,
                recorded_at=microseconds(statement.recorded_at),
            )
        )
    return len(known) + 1


def _statements(
    connection: Connection, case_ids: Collection[str] | None = None
) -> list[CaseStatement]:
    table = schema.case_statements
    query = select(table).order_by(table.columns.id)
    if case_ids is not None:
        query = query.where(table.columns.case_id.in_(sorted(case_ids)))
    return [
        CaseStatement(
            case_id=row.case_id,
            action=row.action,
            said_by=row.said_by,
            why=row.why,
            recorded_at=instant_at(row.recorded_at),
            evidence_until=instant_at(row.evidence_until),
            how=row.how,
            acted_on=None if row.acted_on is None else instant_at(row.acted_on),
        )
        for row in connection.execute(query)
    ]


def _meanwhile(known: list[CaseStatement]) -> str:
    if not known:
        return "What this rests on is no longer there; look at the case again."
    last = known[-1]
    at = last.recorded_at.astimezone(UTC)
    why = f' ("{last.why}")' if last.why else ""
    return (
        f"Meanwhile {last.said_by} {VERBS[last.action]} on {at.day} {at:%b %Y, %H:%M} UTC{why}; "
        "look at the case again, and say it once more if it still holds."
    )
