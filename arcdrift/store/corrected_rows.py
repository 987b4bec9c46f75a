"""Quarantined rows that the corrected log brings again, closed.

The rule: a later file of the same name, kind and header is the same log, corrected, when it
repeats more than half of what the earlier import of it stored (or found stored), row for row on
the same lines. Each of its sound rows then closes the earlier log's quarantined row that begins
on the same line. The name alone never closes anything, as many machines give all their logs one
name; so a log of which no row was stored closes none (undo its import, and import the corrected
one), and lines below one that was put in or taken out are left open.
"""

from datetime import UTC, datetime

from sqlalchemy import CompoundSelect, Connection, and_, exists, func, select, union_all, update

from arcdrift.store import schema
from arcdrift.times import microseconds


def close_corrected(connection: Connection, import_id: int) -> None:
    """Close what an import, all of which is stored, brings corrected."""
    done, kept = schema.imports.columns, schema.quarantine.columns
    this = connection.execute(
        select(done.kind, done.file_name, done.header).where(done.id == import_id)
    ).one()
    earlier = select(done.id).where(
        done.id < import_id,
        done.kind == this.kind,
        done.file_name == this.file_name,
        done.header == this.header,
        exists().where(kept.import_id == done.id, kept.closed_at.is_(None)),
    )
    its = _said(this.kind, import_id).subquery()
    apart = schema.conflicts.columns
    lines = union_all(select(its.c.line), select(apart.line).where(apart.import_id == import_id))
    now = microseconds(datetime.now(UTC))
    for number in connection.execute(earlier.order_by(done.id)).scalars().all():
        before = _said(this.kind, number).subquery()
        alike = and_(its.c.line == before.c.line, its.c.record_id == before.c.record_id)
        said, again = (
            connection.execute(select(func.count()).select_from(rows)).scalar_one()
            for rows in (before, before.join(its, alike))
        )
        if 2 * again > said:
            mended = update(schema.quarantine).where(
                kept.import_id == number, kept.closed_at.is_(None), kept.line.in_(lines)
            )
            connection.execute(mended.values(closed_by=import_id, closed_at=now))


def close_again(connection: Connection, import_id: int) -> None:
    """Let later imports of the same log close what an import closed that was taken back."""
    done = schema.imports.columns
    this = schema.imports.alias().columns
    same = and_(this.kind == done.kind, this.file_name == done.file_name)
    later = (
        select(done.id)
        .join_from(schema.imports, this.id.table, same)
        .where(this.id == import_id, done.id > import_id, done.undone_at.is_(None))
        .order_by(done.id)
    )
    for number in connection.execute(later).scalars().all():
        close_corrected(connection, number)


def mended_by(connection: Connection, import_id: int) -> int:
    """How many quarantined rows an import closed."""
    closed_by = schema.quarantine.columns.closed_by
    count = select(func.count()).select_from(schema.quarantine).where(closed_by == import_id)
    return int(connection.execute(count).scalar_one())


def _said(kind: str, import_id: int) -> CompoundSelect[tuple[int, int]]:
    """Lines of an import that a stored row says, and the row."""
    own, claims = schema.RECORDS[kind].columns, schema.claims.columns
    return union_all(
        select(own.line, own.id.label("record_id")).where(own.import_id == import_id),
        select(claims.line, claims.record_id).where(
            claims.import_id == import_id, claims.kind == kind
        ),
    )
