"""Imports of a file that was imported before, with the same settings and not undone since.

Such an import, a repeat, says nothing that its original does not say, so no rows are stored for
it. When the original is undone, its first repeat gets all rows that the original had, as if it had
been read row by row, and the other repeats become repeats of that one.
"""

import json

from sqlalchemy import Connection, Table, and_, exists, insert, literal, null, select, update

from arcdrift.store import schema
from arcdrift.store.schema import QUARANTINE

_CLAIM = ("import_id", "line", "kind", "record_id", "record", "raw")


def add_repeated_rows(connection: Connection, import_id: int) -> None:
    """Give the rows of an import that is to be undone to its first repeat, as repeated rows."""
    imports = schema.imports.columns
    repeats = select(imports.id).where(imports.same_as == import_id, imports.undone_at.is_(None))
    heir = connection.execute(repeats.order_by(imports.id).limit(1)).scalar()
    if heir is None:
        return
    kind = connection.execute(select(imports.kind).where(imports.id == import_id)).scalar_one()
    _add_source_rows(connection, import_id, heir)
    _add_records(connection, schema.RECORDS[kind], kind, import_id, heir)
    _add_conflicts(connection, kind, import_id, heir)
    _add_quarantined(connection, import_id, heir)
    others = update(schema.imports).where(imports.same_as == import_id, imports.id != heir)
    connection.execute(others.values(same_as=heir))
    connection.execute(update(schema.imports).where(imports.id == heir).values(same_as=None))


def _add_source_rows(connection: Connection, import_id: int, heir: int) -> None:
    rows = schema.source_rows.columns
    own = select(literal(heir), *(rows[name] for name in _CLAIM[1:])).where(
        rows.import_id == import_id
    )
    connection.execute(insert(schema.source_rows).from_select(_CLAIM, own))


def _add_records(
    connection: Connection, table: Table, kind: str, import_id: int, heir: int
) -> None:
    """Add the rows whose values the records have."""
    rows, records = schema.source_rows.columns, table.columns
    has_own_row = exists().where(
        rows.kind == kind,
        rows.record_id == records.id,
        rows.import_id == import_id,
        rows.line == records.line,
    )
    plain = select(literal(heir), records.line, literal(kind), records.id, null(), null()).where(
        and_(records.import_id == import_id, ~has_own_row)
    )
    connection.execute(insert(schema.source_rows).from_select(_CLAIM, plain))


def _add_conflicts(connection: Connection, kind: str, import_id: int, heir: int) -> None:
    conflicts = schema.conflicts.columns
    versions = select(
        literal(heir),
        conflicts.line,
        literal(kind),
        conflicts.stored_id,
        conflicts.record,
        conflicts.raw,
    ).where(conflicts.import_id == import_id)
    connection.execute(insert(schema.source_rows).from_select(_CLAIM, versions))


def _add_quarantined(connection: Connection, import_id: int, heir: int) -> None:
    quarantine = schema.quarantine.columns
    names = ("last_line", "column", "code", "message", "raw")
    query = select(quarantine.id, quarantine.line, *(quarantine[name] for name in names))
    claims = [
        {
            "import_id": heir,
            "line": row.line,
            "kind": QUARANTINE,
            "record_id": row.id,
            "record": json.dumps({name: row._mapping[name] for name in names}, ensure_ascii=False),
        }
        for row in connection.execute(query.where(quarantine.import_id == import_id))
    ]
    if claims:
        connection.execute(insert(schema.source_rows), claims)
