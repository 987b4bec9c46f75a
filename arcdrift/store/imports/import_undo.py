"""Undoes an import: its rows leave the store, and other imports take over what they report too."""

import json
from datetime import UTC, datetime
from functools import partial
from typing import Any

from sqlalchemy import Connection, Engine, delete, exists, func, select, update

from arcdrift.errors import UsageError
from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import writing
from arcdrift.store.database.fetch import fetch_within
from arcdrift.store.events.event_candidates import candidate_keys, source_files
from arcdrift.store.events.rebuild_records import rebuild_records
from arcdrift.store.events.record_matching import RECORD_IDENTITIES, RecordIdentity
from arcdrift.store.imports.corrected_rows import close_corrected_later, count_corrected
from arcdrift.store.imports.repeated_imports import add_repeated_rows


def undo_import(engine: Engine, import_id: int) -> None:
    """Undo an import and mark it undone: the store is as if it had never been imported.

    Records that other imports report as well stay and become theirs; conflicts with rows of this
    import are decided anew; quarantined rows that it corrected are open again. What was written
    down by hand is undone in the same way.

    Raises
    ------
    UsageError
        When there is no such import, or it was undone before.
    """
    imports = schema.imports
    with writing(engine) as connection:
        row = connection.execute(
            select(imports.columns.undone_at, imports.columns.kind).where(
                imports.columns.id == import_id
            )
        ).one_or_none()
        if row is None:
            last = connection.execute(select(func.max(imports.columns.id))).scalar()
            known = "nothing was imported yet" if last is None else f"the last one is {last}"
            raise UsageError(f"There is no import {import_id}; {known}.")
        if row.undone_at is not None:
            raise UsageError(f"Import {import_id} was undone before; nothing was changed.")
        if row.kind == schema.REMARKS:
            _mark_undone(connection, import_id)
            return
        corrected = count_corrected(connection, import_id)
        add_repeated_rows(connection, import_id)
        _hand_over_quarantine(connection, import_id)
        _hand_over_records(connection, RECORD_IDENTITIES[row.kind], import_id)
        for table in (
            schema.source_rows,
            schema.conflicts,
            schema.quarantine,
            schema.RECORDS[row.kind],
        ):
            connection.execute(delete(table).where(table.columns.import_id == import_id))
        _mark_undone(connection, import_id)
        if corrected:
            close_corrected_later(connection, import_id)


def _mark_undone(connection: Connection, import_id: int) -> None:
    row, now = schema.imports.columns.id == import_id, microseconds(datetime.now(UTC))
    connection.execute(update(schema.imports).where(row).values(undone_at=now))


def _hand_over_quarantine(connection: Connection, import_id: int) -> None:
    """Open quarantined rows that an import closed; give those others have too to the first."""
    quarantine, rows = schema.quarantine.columns, schema.source_rows.columns
    closed = update(schema.quarantine).where(quarantine.closed_by == import_id)
    connection.execute(closed.values(closed_by=None, closed_at=None))
    query = (
        select(rows.id, rows.record_id, rows.import_id, rows.line, rows.record)
        .join_from(schema.source_rows, schema.quarantine, rows.record_id == quarantine.id)
        .where(
            rows.kind == schema.QUARANTINE,
            quarantine.import_id == import_id,
            rows.import_id != import_id,
        )
        .order_by(rows.import_id, rows.line)
    )
    heirs: dict[int, Any] = {}
    for row in connection.execute(query):
        heirs.setdefault(row.record_id, row)
    for quarantine_id, heir in heirs.items():
        values = json.loads(heir.record) | {"import_id": heir.import_id, "line": heir.line}
        change = update(schema.quarantine).where(quarantine.id == quarantine_id)
        connection.execute(change.values(values))
        connection.execute(delete(schema.source_rows).where(rows.id == heir.id))


def _hand_over_records(connection: Connection, identity: RecordIdentity, import_id: int) -> None:
    """Rebuild records of an import that others report as well, or give them to another import."""
    reader = partial(fetch_within, connection, order=["id"])
    keys = candidate_keys(reader, identity, _record_ids_to_rebuild(connection, identity, import_id))
    rebuild_records(connection, identity, keys, without=import_id)
    rows, table = schema.source_rows.columns, schema.RECORDS[identity.kind]
    records = table.columns
    connection.execute(delete(schema.source_rows).where(rows.import_id == import_id))
    repeats = (rows.kind == identity.kind, rows.record_id == records.id, rows.record.is_(None))
    heir = (
        select(rows.import_id, rows.line)
        .where(*repeats)
        .order_by(rows.import_id, rows.line)
        .limit(1)
    )
    new_origin = {
        name: heir.with_only_columns(rows[name]).correlate(table).scalar_subquery()
        for name in ("import_id", "line")
    }
    orphaned = records.import_id == import_id
    connection.execute(update(table).where(orphaned, exists().where(*repeats)).values(new_origin))
    is_origin = exists().where(
        records.id == rows.record_id,
        records.import_id == rows.import_id,
        records.line == rows.line,
    )
    connection.execute(
        delete(schema.source_rows).where(
            rows.kind == identity.kind, rows.record.is_(None), is_origin
        )
    )


def _record_ids_to_rebuild(
    connection: Connection, identity: RecordIdentity, import_id: int
) -> set[int]:
    """Ids of records where an import adds more than plain repeats, or others do to its records.

    A plain repeat has the values of the record and comes from a file with the same columns and
    the same resolution of time; such records can be given to the other import as they are.
    """
    rows, conflicts = schema.source_rows.columns, schema.conflicts.columns
    imports, records = schema.imports.columns, schema.RECORDS[identity.kind].columns
    files = source_files(partial(fetch_within, connection, order=["id"]), identity)
    undone = files[import_id]
    same_format = {
        other_id
        for other_id, file in files.items()
        if set(file.columns) == set(undone.columns) and file.has_seconds == undone.has_seconds
    }
    own_records = select(records.id).where(records.import_id == import_id)
    of_kind = select(imports.id).where(imports.kind == identity.kind)
    ids: set[int] = set()
    for query in (
        select(rows.record_id).where(
            rows.kind == identity.kind, rows.import_id == import_id, rows.record.is_not(None)
        ),
        select(rows.record_id).where(
            rows.kind == identity.kind,
            rows.record_id.in_(own_records),
            rows.record.is_not(None) | rows.import_id.not_in(sorted(same_format)),
        ),
        select(conflicts.stored_id).where(conflicts.import_id == import_id),
        select(conflicts.stored_id).where(
            conflicts.import_id.in_(of_kind), conflicts.stored_id.in_(own_records)
        ),
    ):
        ids.update(connection.execute(query).scalars())
    return ids
