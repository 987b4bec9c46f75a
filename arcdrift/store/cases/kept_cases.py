"""What is kept of each case from analysis to analysis."""

import json
from collections.abc import Iterable
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine, insert, select, update

from arcdrift.case import KeptCase
from arcdrift.instants import instant_at, microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import reading


def read_kept_cases(engine: Engine) -> list[KeptCase]:
    """Return every case that was ever found, by id."""
    said = select(schema.case_statements.columns.case_id).distinct()
    with reading(engine) as connection:
        spoken = set(connection.execute(said).scalars())
        rows = connection.execute(select(schema.cases).order_by(schema.cases.columns.id)).all()
    return [
        KeptCase(
            id=row.id,
            keys=tuple(
                (str(cause), str(kind), str(name)) for cause, kind, name in json.loads(row.keys)
            ),
            began=instant_at(row.began),
            until=instant_at(row.until),
            first_seen=instant_at(row.first_seen),
            spoken=row.id in spoken,
            title=row.title,
        )
        for row in rows
    ]


def read_first_found(engine: Engine) -> dict[str, datetime]:
    """Return when an analysis first found each case (UTC), by id."""
    columns = schema.cases.columns
    with reading(engine) as connection:
        rows = connection.execute(select(columns.id, columns.recorded_at)).all()
    return {row.id: instant_at(row.recorded_at) for row in rows}


def keep_cases(connection: Connection, kept: Iterable[KeptCase]) -> None:
    """Add new cases and bring known ones up to date; none is ever deleted.

    Parameters
    ----------
    connection : Connection
        From `arcdrift.store.database.connect.writing`.
    """
    table = schema.cases
    known = {row.id: row for row in connection.execute(select(table))}
    now = microseconds(datetime.now(UTC))
    for case in kept:
        values = {
            "keys": json.dumps(case.keys),
            "title": case.title,
            "began": microseconds(case.began),
            "until": microseconds(case.until),
        }
        row = known.get(case.id)
        if row is None:
            first = {"first_seen": microseconds(case.first_seen), "recorded_at": now}
            connection.execute(insert(table).values(id=case.id, **values, **first))
        elif any(getattr(row, name) != value for name, value in values.items()):
            connection.execute(update(table).where(table.columns.id == case.id).values(**values))
