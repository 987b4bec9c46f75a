"""Decisions of people: which version of a record counts, and which quarantined rows to close."""

import json
from collections.abc import Callable, Collection
from datetime import UTC, datetime
from functools import partial
from typing import Any, Literal

from sqlalchemy import Connection, Engine, bindparam, select, update

from arcdrift.errors import UsageError
from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import writing
from arcdrift.store.database.fetch import fetch_within
from arcdrift.store.events.event_candidates import candidate_keys
from arcdrift.store.events.rebuild_records import rebuild_records
from arcdrift.store.events.record_matching import RECORD_IDENTITIES

Choice = Literal["old", "new"]


def decide_conflicts(
    engine: Engine, choice: Choice, ids: Collection[int] | None, *, by: str
) -> int:
    """Decide conflicts: keep the stored version, or put the new one in its place.

    The stored row keeps its origin and both versions are kept, so that undoing either import leaves
    exactly what the other one says.

    Parameters
    ----------
    ids : collection of int, optional
        Ids of conflicts; None for all open ones.
    by : str
        Who decides.

    Returns
    -------
    int
        Number of conflicts decided.

    Raises
    ------
    UsageError
        When a conflict does not exist or was decided before; then nothing is decided.
    """
    conflicts, imports = schema.conflicts.columns, schema.imports.columns
    query = (
        select(conflicts.id, conflicts.stored_id, conflicts.differs, conflicts.kept, imports.kind)
        .join_from(schema.conflicts, schema.imports, conflicts.import_id == imports.id)
        .order_by(conflicts.id)
    )
    with writing(engine) as connection:
        rows = _chosen(
            connection.execute(query).all(),
            ids,
            lambda row: row.kept is None,
            ("conflict", "was decided before", "`arcdrift quarantine conflicts` lists them"),
        )
        now = microseconds(datetime.now(UTC))
        for row in rows:
            differs = json.loads(row.differs)
            against = {name: old for name, (old, _) in differs.items()}
            connection.execute(
                update(schema.conflicts)
                .where(conflicts.id == row.id)
                .values(
                    kept=choice,
                    decided_at=now,
                    decided_by=by,
                    decided_against=json.dumps(against, ensure_ascii=False),
                )
            )
        for kind, identity in RECORD_IDENTITIES.items():
            stored = {row.stored_id for row in rows if row.kind == kind}
            reader = partial(fetch_within, connection, order=["id"])
            rebuild_records(connection, identity, candidate_keys(reader, identity, stored))
    return len(rows)


def close_rows(engine: Engine, ids: Collection[int], *, why: str, by: str) -> int:
    """Close quarantined rows that are not to be corrected; they stay on record with the reason.

    Raises
    ------
    UsageError
        When a row does not exist or is closed already; then none is closed.
    """
    if not why.strip():
        raise UsageError("Say why these rows are given up, with --why.")
    columns = schema.quarantine.columns
    with writing(engine) as connection:
        rows = _chosen(
            connection.execute(select(columns.id, columns.closed_at)).all(),
            ids,
            lambda row: row.closed_at is None,
            ("quarantined row", "is closed already", "`arcdrift quarantine --json` lists them"),
        )
        _close(connection, [row.id for row in rows], why, by)
    return len(rows)


def _close(connection: Connection, ids: list[int], why: str, by: str) -> None:
    now = microseconds(datetime.now(UTC))
    close = update(schema.quarantine).where(schema.quarantine.columns.id == bindparam("row_id"))
    if ids:
        connection.execute(
            close.values(closed_at=now, closed_who=by, closed_why=why),
            [{"row_id": number} for number in ids],
        )


def _chosen(
    rows: Any,
    ids: Collection[int] | None,
    is_open: Callable[[Any], bool],
    message_parts: tuple[str, str, str],
) -> list[Any]:
    if ids is None:
        return [row for row in rows if is_open(row)]
    row_of = {row.id: row for row in rows}
    noun, closed, listing = message_parts
    for number in ids:
        if number not in row_of:
            raise UsageError(f"There is no {noun} {number}; {listing}.")
        if not is_open(row_of[number]):
            raise UsageError(f"The {noun} {number} {closed}; nothing was changed.")
    return [row_of[number] for number in dict.fromkeys(ids)]
