"""Reads records, results, imports and findings from the store.

What returns no frame does without pandas and Arrow: a command that only lists findings would
spend most of its time on loading them.
"""

from __future__ import annotations

import json
from collections.abc import Container, Iterable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Engine,
    Row,
    Select,
    Subquery,
    Table,
    func,
    not_,
    or_,
    select,
    union_all,
)

from arcdrift.finding import SEVERITY_ORDER
from arcdrift.instants import instant_at, microseconds
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import (
    SPLICER_TIMED,
    bounds_condition,
    clock_shifts,
    suspected_bounds,
    true_time,
)
from arcdrift.store.database.connect import reading

if TYPE_CHECKING:
    import pandas as pd

_SUBJECT_COLUMN = {
    "arc-checks": "splicer",
    "splices": "splicer",
    "readings": "splicer",
    "service": "asset",
}


def records(
    engine: Engine,
    kind: str,
    *,
    splicers: Iterable[str] | None = None,
    sites: Iterable[str] | None = None,
    stations: Iterable[str] | None = None,
    technician: str | None = None,
    locations: Iterable[str] | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    columns: Iterable[str] | None = None,
    exclude_wrong_clock: bool = False,
    order: tuple[str, ...] = ("id",),
    categorical: Container[str] = (),
) -> pd.DataFrame:
    """Read records of one kind in the order they were stored, with the set clock shifts added.

    Parameters
    ----------
    kind : str
        ``arc-checks``, ``splices``, ``readings`` or ``service``.
    splicers : iterable of str, optional
        Only records of these splicers (for service: of these assets).
    sites : iterable of str, optional
        Only records of these sites; given with `splicers`, records of any of both.
    stations : iterable of str, optional
        Only readings of these weather stations; given with others, records of any of them.
    technician : str, optional
        Only checks or splices this person made.
    locations : iterable of str, optional
        Only splices at these locations.
    since, until : aware datetime, optional
        Half-open range of the record's time.
    columns : iterable of str, optional
        Only these columns, in this order.
    exclude_wrong_clock : bool
        Whether to leave out records that the last analysis did not use because the splicer's
        clock was wrong.
    order : tuple of str
        Columns to sort by instead of the order of storing.
    categorical : container of str
        Columns of text to return as categories, in alphabetical order.

    Returns
    -------
    DataFrame
        Times are ``datetime64[us, UTC]``, missing numbers NaN, missing text NA.
    """
    table = schema.RECORDS[kind]
    wanted = list(table.columns.keys() if columns is None else columns)
    splicer_timed = kind in SPLICER_TIMED
    time = (
        true_time(table, clock_shifts(engine, splicers=splicers))
        if splicer_timed
        else table.columns[schema.TIME_COLUMN[kind]]
    )
    query = select(
        *(
            time if name == time.name else table.columns[name]
            for name in dict.fromkeys(["id", *wanted])
        )
    )
    any_of = []
    if splicers is not None:
        any_of.append(table.columns[_SUBJECT_COLUMN[kind]].in_(sorted(set(splicers))))
    if sites is not None:
        any_of.append(table.columns["site"].in_(sorted(set(sites))))
    if stations is not None:
        any_of.append(table.columns["station"].in_(sorted(set(stations))))
    if any_of:
        query = query.where(or_(*any_of))
    if technician is not None:
        query = query.where(table.columns["technician"] == technician)
    if locations is not None:
        query = query.where(table.columns["location"].in_(sorted(set(locations))))
    if splicer_timed and exclude_wrong_clock:
        for bounds in suspected_bounds(engine, splicers):
            query = query.where(not_(bounds_condition(bounds, table)))
    if since is not None:
        query = query.where(time >= microseconds(since))
    if until is not None:
        query = query.where(time < microseconds(until))
    return _frame(engine, query, order=list(order), categorical=categorical)[wanted]


def splice_counts(engine: Engine) -> dict[str, int]:
    """Number of splices on record by splicer; 0 for a splicer with checks alone."""
    splicer = schema.splices.columns.splicer
    query = select(splicer, func.count()).group_by(splicer)
    with reading(engine) as connection:
        counts = {name: int(count) for name, count in connection.execute(query)}
    return dict.fromkeys(splicers(engine), 0) | counts


def splicers(engine: Engine) -> list[str]:
    """Names of all splicers that have a check or a splice on record, sorted."""
    tables = (schema.splices, schema.arc_checks)
    query = union_all(*(select(_splicer_names(table).c.splicer) for table in tables))
    with reading(engine) as connection:
        return sorted({row.splicer for row in connection.execute(query)})


def max_splice_count(engine: Engine) -> int:
    """Upper bound of the number of splices in the store: the highest id given to one."""
    query = select(func.max(schema.splices.columns.id))
    with reading(engine) as connection:
        return int(connection.execute(query).scalar() or 0)


def technicians(engine: Engine) -> list[str]:
    """Names of all technicians in the results of the last analysis, sorted."""
    tables = (schema.RESULTS["result_person_days"], schema.RESULTS["result_check_days"])
    query = union_all(
        *(select(t.c.technician).where(t.c.technician.is_not(None)).distinct() for t in tables)
    )
    with reading(engine) as connection:
        return sorted({row.technician for row in connection.execute(query)})


def newest_records(engine: Engine) -> dict[str, datetime]:
    """Instant (UTC) of the newest check or splice by splicer, in alphabetical order."""
    shifts = clock_shifts(engine)
    latest: list[Select[Any]] = []
    for kind in SPLICER_TIMED:
        table = schema.RECORDS[kind]
        if shifts:
            time = true_time(table, shifts)
            query = select(table.columns.splicer, func.max(time).label("time"))
            latest.append(query.group_by(table.columns.splicer))
            continue
        names, time = _splicer_names(table), table.columns[schema.TIME_COLUMN[kind]]
        last = select(func.max(time)).where(table.columns.splicer == names.c.splicer)
        latest.append(select(names.c.splicer, last.scalar_subquery().label("time")))
    with reading(engine) as connection:
        rows = sorted(connection.execute(union_all(*latest)).all())
    return {splicer: instant_at(time) for splicer, time in rows}  # of two times the later one


def newest_record(engine: Engine) -> pd.Timestamp | None:
    """Instant (UTC) of the newest check or splice; None in an empty store."""
    import pandas as pd

    newest = newest_records(engine)
    return pd.Timestamp(max(newest.values())).as_unit("us") if newest else None


def assessment_time(engine: Engine, crew: Crew) -> pd.Timestamp:
    """UTC instant results speak of: now, or the newest record's time if crew.toml says so."""
    import pandas as pd

    newest = newest_record(engine) if crew.clock == "newest-record" else None
    return newest if newest is not None else pd.Timestamp.now("UTC").as_unit("us")


def newest_reading(
    engine: Engine, splicer: str, site: str | None, station: str | None, until: datetime
) -> pd.Timestamp | None:
    """Instant (UTC) of the newest reading of a splicer's own sensors, a site or its station."""
    import pandas as pd

    t = schema.readings.columns
    latest = [
        select(func.max(t.read_at).label("time")).where(
            column == name, t.read_at <= microseconds(until)
        )
        for column, name in ((t.splicer, splicer), (t.site, site), (t.station, station))
        if name is not None
    ]
    with reading(engine) as connection:
        rows = connection.execute(union_all(*latest))
        stamps = [row.time for row in rows if row.time is not None]
    return pd.Timestamp(max(stamps), unit="us", tz="UTC") if stamps else None


def imported_readings(engine: Engine, import_id: int) -> pd.DataFrame:
    """Readings that an import added, as `records` returns them."""
    t = schema.readings.columns
    return _frame(engine, select(schema.readings).where(t.import_id == import_id), order=["id"])


def oldest_splices(engine: Engine) -> pd.DataFrame:
    """First splice of each splicer, as logged: ``splicer``, ``spliced_at`` (UTC)."""
    import pandas as pd

    names, time = _splicer_names(schema.splices), schema.splices.columns.spliced_at
    first = select(func.min(time)).where(schema.splices.columns.splicer == names.c.splicer)
    query = select(names.c.splicer, first.scalar_subquery().label("spliced_at"))
    with reading(engine) as connection:
        rows = connection.execute(query).all()
    frame = pd.DataFrame(rows, columns=["splicer", "spliced_at"])
    spliced_at = pd.to_datetime(frame["spliced_at"], unit="us", utc=True).dt.as_unit("us")
    return frame.assign(spliced_at=spliced_at)


def _frame(
    engine: Engine, query: Select[Any], *, order: list[str], categorical: Container[str] = ()
) -> pd.DataFrame:
    from arcdrift.store.database.fetch import fetch  # loads pandas and Arrow

    return fetch(engine, query, order=order, categorical=categorical)


def _splicer_names(table: Any) -> Subquery:
    """Splicers of a record table, found by one index look-up a name instead of a scan of rows."""
    column = table.columns.splicer
    walk = select(func.min(column).label("splicer")).cte(recursive=True)
    following = select(func.min(column)).where(column > walk.c.splicer).scalar_subquery()
    walk = walk.union_all(select(following).where(walk.c.splicer.is_not(None)))
    return select(walk.c.splicer).where(walk.c.splicer.is_not(None)).subquery()


def result(engine: Engine, table_name: str, **equals: Any) -> pd.DataFrame:
    """Read a result table, or its rows where columns equal the given values."""
    table = schema.RESULTS[table_name]
    query = select(table)
    for name, value in equals.items():
        query = query.where(table.columns[name] == value)
    return _frame(engine, query, order=table.primary_key.columns.keys())


def check_days(engine: Engine) -> list[dict[str, Any]]:
    """Return the rows of ``result_check_days`` by splicer and day, with instants in UTC."""
    table = schema.RESULTS["result_check_days"]
    query = select(table).order_by(table.columns.splicer, table.columns.day)
    with reading(engine) as connection:
        rows = connection.execute(query).mappings().all()
    return [
        row
        | {
            name: None if row[name] is None else instant_at(row[name])
            for name in ("checked_at", "first_splice_at")
        }
        for row in map(dict, rows)
    ]


def last_analysis(engine: Engine) -> Row[Any] | None:
    """Return the row of ``analysis_run`` that tells of the last analysis; None without one."""
    table = schema.RESULTS["analysis_run"]
    with reading(engine) as connection:
        return connection.execute(select(table).order_by(table.columns.id.desc())).first()


def findings(
    engine: Engine,
    *,
    since: datetime | None = None,
    subject: str | None = None,
    kind: str | None = None,
) -> list[dict[str, Any]]:
    """Read findings in their JSON shape, by severity and then by last evidence, latest first.

    Parameters
    ----------
    since : aware datetime, optional
        Only findings with evidence at or after this instant.
    subject, kind : str, optional
        Only findings about this subject id, or of this kind.
    """
    table = schema.RESULTS["findings"]
    query = select(table.columns.severity, table.columns.until, table.columns.document)
    if since is not None:
        query = query.where(table.columns.until >= microseconds(since))
    if subject is not None:
        query = query.where(table.columns.subject_id == subject)
    if kind is not None:
        query = query.where(table.columns.kind == kind)
    with reading(engine) as connection:
        rows = connection.execute(query.order_by(table.columns.id)).all()
    rows = sorted(rows, key=lambda row: (SEVERITY_ORDER[row.severity], -row.until))
    return [json.loads(row.document) for row in rows]


def imports(engine: Engine) -> pd.DataFrame:
    """Read the list of imports, newest first; ``undone_at`` is NaT unless it was undone."""
    return _frame(engine, select(schema.imports), order=["id"]).iloc[::-1].reset_index(drop=True)


def quarantined(
    engine: Engine, import_id: int | None = None, *, closed: bool = False
) -> pd.DataFrame:
    """Read quarantined rows with the file they came from, by import and line.

    Rows that were corrected or given up are left out unless `closed` asks for them as well.
    """
    still_open = None if closed else schema.quarantine.columns.closed_at.is_(None)
    return _rows_with_file(engine, schema.quarantine, import_id, still_open)


def conflicting(
    engine: Engine, import_id: int | None = None, *, decided: bool = False
) -> pd.DataFrame:
    """Read conflicting rows with the file they came from, by import and line.

    Rows that a person decided on are left out unless `decided` asks for them as well.
    """
    still_open = None if decided else schema.conflicts.columns.kept.is_(None)
    return _rows_with_file(engine, schema.conflicts, import_id, still_open)


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
    )
    row = connection.execute(query).one()
    return "-".join("0" if part is None else str(part) for part in row)


def _rows_with_file(
    engine: Engine, table: Table, import_id: int | None, condition: ColumnElement[bool] | None
) -> pd.DataFrame:
    """Rows of a table with the name and kind of the file they came from."""
    imported = schema.imports.columns
    query = select(table, imported.file_name, imported.kind).join_from(
        table, schema.imports, table.columns.import_id == imported.id
    )
    if condition is not None:
        query = query.where(condition)
    if import_id is not None:
        query = query.where(table.columns.import_id == import_id)
    return _frame(engine, query, order=["import_id", "line"])
