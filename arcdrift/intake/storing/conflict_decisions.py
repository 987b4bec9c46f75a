"""What people decide: which version of a splice counts, and which broken rows to give up."""

import json
from collections.abc import Callable, Collection
from datetime import UTC, datetime
from functools import partial
from typing import Any, Literal

from sqlalchemy import Connection, Engine, bindparam, select, update

from arcdrift.errors import UsageError
from arcdrift.store import schema
from arcdrift.store.connect import writing
from arcdrift.store.event_candidates import candidate_keys
from arcdrift.store.fetch import fetch_within
from arcdrift.store.rebuild_records import rebuild_records
from arcdrift.store.record_matching import RECORD_IDENTITIES
from arcdrift.times import microseconds

Choice = Literal["old", "new"]


def keep(engine: Engine, choice: Choice, ids: Collection[int] | None, *, by: str) -> int:
    """Decide conflicts: the stored version stays, or the new one takes its place.

    The stored row keeps its origin, and both versions are kept, so that undoing either import
    leaves exactly what the other says.

    Parameters
    ----------
    ids : collection of int, optional
        Conflicts; None for every open one.
    by : str
        Who decides.

    Returns
    -------
    int
        How many were decided.

    Raises
    ------
    UsageError
        When a conflict is not there, or was decided before; then nothing is decided.
    """
    apart, done = schema.conflicts.columns, schema.imports.columns
    query = (
        select(apart.id, apart.stored_id, apart.differs, apart.kept, done.kind)
        .join_from(schema.conflicts, schema.imports, apart.import_id == done.id)
        .order_by(apart.id)
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
                .where(apart.id == row.id)
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


def drop(engine: Engine, ids: Collection[int], *, why: str, by: str) -> int:
    """Close quarantined rows that a person gives up; they stay on record with the reason.

    Raises
    ------
    UsageError
        When a row is not there, or is closed already; then none is closed.
    """
    if not why.strip():
        raise UsageError("Say why these rows are given up, with --why.")
    kept = schema.quarantine.columns
    with writing(engine) as connection:
        rows = _chosen(
            connection.execute(select(kept.id, kept.closed_at)).all(),
            ids,
            lambda row: row.closed_at is None,
            ("quarantined row", "is closed already", "`arcdrift quarantine --json` lists them"),
        )
        _close(connection, [row.id for row in rows], why, by)
    return len(rows)


def _close(connection: Connection, ids: list[int], why: str, by: str) -> None:
    now = microseconds(datetime.now(UTC))
    close = update(schema.quarantine).where(schema.quarantine.columns.id == bindparam("its"))
    if ids:
        connection.execute(
            close.values(closed_at=now, closed_who=by, closed_why=why),
            [{"its": number} for number in ids],
        )


def _chosen(
    rows: Any,
    ids: Collection[int] | None,
    is_open: Callable[[Any], bool],
    words: tuple[str, str, str],
) -> list[Any]:
    if ids is None:
        return [row for row in rows if is_open(row)]
    there = {row.id: row for row in rows}
    what, closed, listing = words
    for number in ids:
        if number not in there:
            raise UsageError(f"There is no {what} {number}; {listing}.")
        if not is_open(there[number]):
            raise UsageError(f"The {what} {number} {closed}; nothing was changed.")
    return [there[number] for number in dict.fromkeys(ids)]
