"""Closes quarantined rows when the corrected log is imported.

A later file of the same name, kind and header is the same log, corrected, if it repeats on the
same lines more than half of the rows that the earlier import stored (or found stored). Each of
its sound rows then closes the earlier quarantined row that begins on the same line. The name
alone is not enough, because many machines give all their logs one name. So a log of which no row
was stored closes none (undo its import, and import the corrected one), and lines after an
inserted or removed line stay open.
"""

from datetime import UTC, datetime

from sqlalchemy import CompoundSelect, Connection, and_, exists, func, select, union_all, update

from arcdrift.instants import microseconds
from arcdrift.store import schema


def close_corrected(connection: Connection, import_id: int) -> None:
    """Close the quarantined rows that an import, already stored, has corrected."""
    imports, quarantine = schema.imports.columns, schema.quarantine.columns
    this = connection.execute(
        select(imports.kind, imports.file_name, imports.header, imports.same_as).where(
            imports.id == import_id
        )
    ).one()
    origin_id = import_id if this.same_as is None else this.same_as
    earlier = select(imports.id).where(
        imports.id < import_id,
        imports.kind == this.kind,
        imports.file_name == this.file_name,
        imports.header == this.header,
        exists().where(quarantine.import_id == imports.id, quarantine.closed_at.is_(None)),
    )
    conflicts = schema.conflicts.columns
    conflicting = select(conflicts.line, conflicts.stored_id.label("record_id")).where(
        conflicts.import_id == origin_id
    )
    reported = _reported(this.kind, origin_id)
    if this.same_as is not None:  # a repeat reports what conflicted when it was new
        reported = union_all(*reported.selects, conflicting)
    rows = reported.subquery()
    lines = union_all(select(rows.c.line), select(conflicting.subquery().c.line))
    now = microseconds(datetime.now(UTC))
    for earlier_id in connection.execute(earlier.order_by(imports.id)).scalars().all():
        before = _reported(this.kind, earlier_id).subquery()
        same = and_(rows.c.line == before.c.line, rows.c.record_id == before.c.record_id)
        reported_count, repeated = (
            connection.execute(select(func.count()).select_from(found)).scalar_one()
            for found in (before, before.join(rows, same))
        )
        if 2 * repeated > reported_count:
            corrected = update(schema.quarantine).where(
                quarantine.import_id == earlier_id,
                quarantine.closed_at.is_(None),
                quarantine.line.in_(lines),
            )
            connection.execute(corrected.values(closed_by=import_id, closed_at=now))


def close_corrected_later(connection: Connection, import_id: int) -> None:
    """Close again, by later imports of the same log, the rows that an undone import had closed."""
    imports = schema.imports.columns
    this = schema.imports.alias().columns
    same_log = and_(this.kind == imports.kind, this.file_name == imports.file_name)
    later = (
        select(imports.id)
        .join_from(schema.imports, this.id.table, same_log)
        .where(this.id == import_id, imports.id > import_id, imports.undone_at.is_(None))
        .order_by(imports.id)
    )
    for later_id in connection.execute(later).scalars().all():
        close_corrected(connection, later_id)


def count_corrected(connection: Connection, import_id: int) -> int:
    """Number of quarantined rows that an import closed."""
    closed_by = schema.quarantine.columns.closed_by
    count = select(func.count()).select_from(schema.quarantine).where(closed_by == import_id)
    return int(connection.execute(count).scalar_one())


def _reported(kind: str, import_id: int) -> CompoundSelect[tuple[int, int]]:
    """Lines of an import that report a stored record, and the record's id."""
    records, rows = schema.RECORDS[kind].columns, schema.source_rows.columns
    return union_all(
        select(records.line, records.id.label("record_id")).where(records.import_id == import_id),
        select(rows.line, rows.record_id).where(rows.import_id == import_id, rows.kind == kind),
    )
