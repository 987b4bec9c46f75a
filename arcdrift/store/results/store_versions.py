"""Versions of a store: of its records, by which results are out of date, and of all it holds.

Results are compared with the store by version, never by time: a computer's clock that was wrong
for a day must not make old results look new.
"""

import json
from typing import NamedTuple

from sqlalchemy import Connection, Engine, exists, func, or_, select

from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from arcdrift.store.results.result_rows import last_analysis


class RecordsVersion(NamedTuple):
    """What of the store an analysis has read; differs after every change that an analysis sees.

    Attributes
    ----------
    last_import : int
        Id of the last import that added or completed a record; 0 for none, as for all others.
    undone_imports, decided_conflicts, undone_shifts, undone_marks : int
        How many there are.
    last_shift, last_mark : int
        Ids of the last clock shift and of the last mark on a baseline.
    """

    last_import: int = 0
    undone_imports: int = 0
    decided_conflicts: int = 0
    last_shift: int = 0
    undone_shifts: int = 0
    last_mark: int = 0
    undone_marks: int = 0

    def __str__(self) -> str:
        return "-".join(map(str, self))

    @classmethod
    def parse(cls, text: str) -> "RecordsVersion":
        """Return the version that was written as a text."""
        return cls(*map(int, text.split("-")))


def records_version(engine: Engine) -> RecordsVersion:
    """Return the version of the records, as it is now."""
    with reading(engine) as connection:
        return _records_version_within(connection)


def is_outdated(engine: Engine, crew: Crew) -> bool:
    """Whether an analysis would see something else now than the last one saw.

    That is records, clock shifts, baseline marks, or what the crew's words for errors mean.
    """
    run = last_analysis(engine)
    if run is None:
        return False
    reasons = json.loads(run.summary).get("error_reasons", {})
    analyzed = RecordsVersion.parse(run.records_version)
    return reasons != crew.error_reasons or analyzed != records_version(engine)


def store_version(engine: Engine) -> str:
    """Return a short text that changes with every import, undo, decision, mark and analysis."""
    with reading(engine) as connection:
        return version_within(connection)


def version_within(connection: Connection) -> str:
    """Return the store's version as an open transaction sees it."""
    imported, run = schema.imports.columns, schema.RESULTS["analysis_run"].columns
    shifts, marks = schema.clock_shifts.columns, schema.baseline_marks.columns
    query = select(
        func.max(imported.id),
        func.count(imported.undone_at),
        func.max(imported.undone_at),
        select(func.max(run.id)).scalar_subquery(),
        select(func.max(run.assessed_on)).scalar_subquery(),
        select(func.max(shifts.id)).scalar_subquery(),
        select(func.count(shifts.undone_at)).scalar_subquery(),
        select(func.max(marks.id)).scalar_subquery(),
        select(func.count(marks.undone_at)).scalar_subquery(),
        select(func.count(schema.conflicts.columns.decided_at)).scalar_subquery(),
        select(func.max(schema.conflicts.columns.decided_at)).scalar_subquery(),
        select(func.max(schema.quarantine.columns.closed_at)).scalar_subquery(),
        select(func.max(schema.case_statements.columns.id)).scalar_subquery(),
        select(func.max(schema.revisited_splices.columns.id)).scalar_subquery(),
        select(func.max(schema.revisited_splices.columns.undone_at)).scalar_subquery(),
    )
    row = connection.execute(query).one()
    return "-".join("0" if part is None else str(part) for part in row)


def events_version_within(connection: Connection) -> str:
    """Return the version of service, of what was written down by hand, and of what people said.

    An import of other records does not change it, unless it is undone or has an event that was
    written down by hand.
    """
    imported, changed = schema.imports.columns, schema.changed_days.columns
    shifts, marks = schema.clock_shifts.columns, schema.baseline_marks.columns
    ticks, conflicts = schema.revisited_splices.columns, schema.conflicts.columns
    written, rows = schema.written.columns, schema.source_rows.columns
    in_log = select(func.max(rows.id)).where(rows.import_id.in_(select(written.import_id)))
    service_changes = select(func.sum(changed.version)).where(changed.kind == "service")
    parts = (
        func.max(schema.service.columns.id),
        func.max(written.id),
        func.max(conflicts.id),
        func.count(conflicts.decided_at),
        func.max(conflicts.decided_at),
        func.max(shifts.id),
        func.count(shifts.undone_at),
        func.max(marks.id),
        func.count(marks.undone_at),
        func.max(schema.case_statements.columns.id),
        func.max(ticks.id),
        func.max(ticks.undone_at),
    )
    query = select(
        func.count(imported.undone_at),
        func.max(imported.undone_at),
        *(select(part).scalar_subquery() for part in parts),
        in_log.scalar_subquery(),
        service_changes.scalar_subquery(),
    )
    row = connection.execute(query).one()
    return "-".join("0" if part is None else str(part) for part in row)


def _records_version_within(connection: Connection) -> RecordsVersion:
    imported, rows = schema.imports.columns, schema.source_rows.columns
    shifts, marks = schema.clock_shifts.columns, schema.baseline_marks.columns
    completes = exists().where(
        rows.import_id == imported.id, rows.record.is_not(None), rows.kind.in_(schema.RECORDS)
    )
    adds = select(func.max(imported.id)).where(or_(imported.accepted > 0, completes))
    undone = select(func.count(imported.undone_at))
    of_records = imported.kind.in_(schema.RECORDS)  # no result rests on a remark alone
    columns = (
        adds.where(of_records).scalar_subquery(),
        undone.where(of_records).scalar_subquery(),
        select(func.count(schema.conflicts.columns.decided_at)).scalar_subquery(),
        select(func.max(shifts.id)).scalar_subquery(),
        select(func.count(shifts.undone_at)).scalar_subquery(),
        select(func.max(marks.id)).scalar_subquery(),
        select(func.count(marks.undone_at)).scalar_subquery(),
    )
    row = connection.execute(select(*columns)).one()
    return RecordsVersion(*(int(part or 0) for part in row))
