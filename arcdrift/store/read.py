"""Reads records and results as frames.

From the embedded store through Arrow, several times faster than row by row; the ordinary way
gives the same frame and serves shared databases.
"""

import json
from collections.abc import Container, Iterable
from datetime import datetime
from typing import Any

import pandas as pd
import pyarrow as pa
from adbc_driver_manager import Error as ArrowError
from adbc_driver_sqlite import dbapi
from sqlalchemy import (
    ColumnElement,
    Connection,
    Engine,
    Select,
    Subquery,
    Table,
    func,
    literal,
    not_,
    select,
    union_all,
)

from arcdrift.errors import StoreTrouble
from arcdrift.finding import SEVERITY_ORDER
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.clock_shifts import (
    SHIFTED,
    bounds_condition,
    clock_shifts,
    suspected,
    true_time,
)
from arcdrift.store.connect import place, reading
from arcdrift.store.frames import arrow_type, to_frame
from arcdrift.store.sqlite_gate import gate_of
from arcdrift.times import microseconds

_EXAMPLE: dict[pa.DataType, Any] = {
    pa.float64(): 0.5,
    pa.int64(): 0,
    pa.bool_(): 0,
    pa.string(): "",
}
_BATCH_ROWS = "65536"
"""Rows the bulk driver gathers at a time; with its own 1,024 reading takes a sixth longer."""
_WHOSE = {"arc-checks": "splicer", "splices": "splicer", "readings": "splicer", "service": "asset"}


def records(
    engine: Engine,
    kind: str,
    *,
    splicers: Iterable[str] | None = None,
    sites: Iterable[str] | None = None,
    technician: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    columns: Iterable[str] | None = None,
    believed: bool = False,
    order: tuple[str, ...] = ("id",),
    coded: Container[str] = (),
) -> pd.DataFrame:
    """Read records of one kind in the order they were stored, with the set clock shifts added.

    Parameters
    ----------
    kind : str
        ``arc-checks``, ``splices``, ``readings`` or ``service``.
    splicers : iterable of str, optional
        Only records of these splicers (for service: of these assets).
    sites : iterable of str, optional
        Only records of these sites; together with `splicers`, records that meet either.
    technician : str, optional
        Only checks or splices this person made.
    since, until : aware datetime, optional
        Half-open range of the record's time.
    columns : iterable of str, optional
        Only these columns, in this order.
    believed : bool
        Whether to leave out what the last analysis keeps apart because a clock was wrong.
    order : tuple of str
        Columns to sort by instead of the order of storing.
    coded : container of str
        Columns of text to give as categories, in the order of their words.

    Returns
    -------
    DataFrame
        Times are ``datetime64[us, UTC]``, missing numbers NaN, missing text NA.
    """
    table = schema.RECORDS[kind]
    wanted = list(table.columns.keys() if columns is None else columns)
    own = kind in SHIFTED
    when = (
        true_time(table, clock_shifts(engine, splicers=splicers))
        if own
        else table.columns[schema.TIME_COLUMN[kind]]
    )
    query = select(
        *(
            when if name == when.name else table.columns[name]
            for name in dict.fromkeys(["id", *wanted])
        )
    )
    either = []
    if splicers is not None:
        either.append(table.columns[_WHOSE[kind]].in_(sorted(set(splicers))))
    if sites is not None:
        either.append(table.columns["site"].in_(sorted(set(sites))))
    if either:
        query = query.where(either[0] if len(either) == 1 else either[0] | either[1])
    if technician is not None:
        query = query.where(table.columns["technician"] == technician)
    if own and believed:
        for bounds in suspected(engine, splicers):
            query = query.where(not_(bounds_condition(bounds, table)))
    if since is not None:
        query = query.where(when >= microseconds(since))
    if until is not None:
        query = query.where(when < microseconds(until))
    return fetch(engine, query, order=list(order), coded=coded)[wanted]


def splices_of(engine: Engine) -> dict[str, int]:
    """How many splices each splicer made that has a check or a splice on record."""
    table = schema.splices.columns
    query = select(table.splicer, func.count()).group_by(table.splicer)
    with reading(engine) as connection:
        made = {name: int(count) for name, count in connection.execute(query)}
    return dict.fromkeys(splicers(engine), 0) | made


def splicers(engine: Engine) -> list[str]:
    """Names of all splicers that have a check or a splice on record, sorted."""
    tables = (schema.splices, schema.arc_checks)
    query = union_all(*(select(_names(table).c.splicer) for table in tables))
    with reading(engine) as connection:
        return sorted({row.splicer for row in connection.execute(query)})


def most_splices(engine: Engine) -> int:
    """How many splices a store holds at the most: the highest number given to one."""
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


def newest_record(engine: Engine) -> pd.Timestamp | None:
    """Instant (UTC) of the newest check or splice; None in an empty store."""
    latest = []
    for when in (schema.splices.columns.spliced_at, schema.arc_checks.columns.checked_at):
        names = _names(when.table)
        last = select(func.max(when)).where(when.table.columns.splicer == names.c.splicer)
        latest.append(select(func.max(last.scalar_subquery()).label("at")).select_from(names))
    shifts = clock_shifts(engine)
    if shifts:
        latest = [
            select(func.max(true_time(schema.RECORDS[kind], shifts)).label("at"))
            for kind in SHIFTED
        ]
    query = union_all(*latest)
    with reading(engine) as connection:
        stamps = [row.at for row in connection.execute(query) if row.at is not None]
    return pd.Timestamp(max(stamps), unit="us", tz="UTC") if stamps else None


def assessment_time(engine: Engine, crew: Crew) -> pd.Timestamp:
    """UTC instant results speak of: now, or the newest record's time if crew.toml says so."""
    newest = newest_record(engine) if crew.clock == "newest-record" else None
    return newest if newest is not None else pd.Timestamp.now("UTC").as_unit("us")


def newest_reading(
    engine: Engine, splicer: str, site: str | None, until: datetime
) -> pd.Timestamp | None:
    """Instant (UTC) of the newest reading of a splicer's own sensors or of a site."""
    t = schema.readings.columns
    latest = [
        select(func.max(t.read_at).label("at")).where(whose, t.read_at <= microseconds(until))
        for whose in (t.splicer == splicer, t.site == site)
    ]
    with reading(engine) as connection:
        rows = connection.execute(union_all(*latest))
        stamps = [row.at for row in rows if row.at is not None]
    return pd.Timestamp(max(stamps), unit="us", tz="UTC") if stamps else None


def oldest_splices(engine: Engine) -> pd.DataFrame:
    """First splice of each splicer, as logged: ``splicer``, ``spliced_at`` (UTC)."""
    names, when = _names(schema.splices), schema.splices.columns.spliced_at
    first = select(func.min(when)).where(schema.splices.columns.splicer == names.c.splicer)
    query = select(names.c.splicer, first.scalar_subquery().label("spliced_at"))
    with reading(engine) as connection:
        rows = connection.execute(query).all()
    frame = pd.DataFrame(rows, columns=["splicer", "spliced_at"])
    at = pd.to_datetime(frame["spliced_at"], unit="us", utc=True).dt.as_unit("us")
    return frame.assign(spliced_at=at)


def _names(table: Any) -> Subquery:
    """Splicers of a record table, stepping through its index by name instead of by row."""
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
    return fetch(engine, query, order=table.primary_key.columns.keys())


def findings(
    engine: Engine,
    *,
    since: datetime | None = None,
    subject: str | None = None,
    kind: str | None = None,
) -> list[dict[str, Any]]:
    """Read findings in their JSON shape, the most pressing and then the latest first.

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
    return fetch(engine, select(schema.imports), order=["id"]).iloc[::-1].reset_index(drop=True)


def changed_since(engine: Engine, assessed_on: datetime) -> bool:
    """Whether anything was added, taken back or shifted after an instant, such as an analysis.

    That is records, clock shifts and what people said of baselines.
    """
    done = imports(engine)
    added = done.loc[done["accepted"] > 0, "started_at"] > assessed_on
    if added.any() or (done["undone_at"] > assessed_on).any():
        return True
    if (conflicting(engine, decided=True)["decided_at"] > assessed_on).any():
        return True
    marks = fetch(engine, select(schema.baseline_marks), order=["id"])
    if (marks[["recorded_at", "undone_at"]] > assessed_on).any(axis=None):
        return True
    shifts = clock_shifts(engine, undone=True)
    return any(max(one.recorded_at, one.undone_at or one.recorded_at) > assessed_on
               for one in shifts)  # fmt: skip


def quarantined(
    engine: Engine, import_id: int | None = None, *, closed: bool = False
) -> pd.DataFrame:
    """Read quarantined rows with the file they came from, by import and line.

    Rows that were mended or given up are left out unless `closed` asks for them as well.
    """
    still = None if closed else schema.quarantine.columns.closed_at.is_(None)
    return _kept_apart(engine, schema.quarantine, import_id, still)


def conflicting(
    engine: Engine, import_id: int | None = None, *, decided: bool = False
) -> pd.DataFrame:
    """Read conflicting rows with the file they came from, by import and line.

    Rows that a person decided on are left out unless `decided` asks for them as well.
    """
    still = None if decided else schema.conflicts.columns.kept.is_(None)
    return _kept_apart(engine, schema.conflicts, import_id, still)


def store_version(engine: Engine) -> str:
    """Return a short text that changes with every import, undo, decision, mark and analysis."""
    with reading(engine) as connection:
        return version_within(connection)


def version_within(connection: Connection) -> str:
    """Return the store's version as an open transaction sees it."""
    done, run = schema.imports.columns, schema.RESULTS["analysis_run"].columns
    shifts, marks = schema.clock_shifts.columns, schema.baseline_marks.columns
    query = select(
        func.max(done.id),
        func.count(done.undone_at),
        func.max(done.undone_at),
        select(func.max(run.id)).scalar_subquery(),
        select(func.max(run.assessed_on)).scalar_subquery(),
        select(func.max(shifts.id)).scalar_subquery(),
        select(func.count(shifts.undone_at)).scalar_subquery(),
        select(func.max(marks.id)).scalar_subquery(),
        select(func.count(marks.undone_at)).scalar_subquery(),
        select(func.max(schema.conflicts.columns.decided_at)).scalar_subquery(),
    )
    row = connection.execute(query).one()
    return "-".join("0" if part is None else str(part) for part in row)


def fetch(
    engine: Engine, query: Select[Any], *, order: list[str], coded: Container[str] = ()
) -> pd.DataFrame:
    """Run a query over store columns; return its rows as a frame sorted by `order`."""
    path = engine.url.database
    if engine.dialect.name == "sqlite" and path:
        with gate_of(path).arrow() as free:
            if free:
                table = _through_arrow(engine, query)
                if table is not None:
                    return _sorted(to_frame(table, coded), order)
    with reading(engine) as connection:
        return fetch_within(connection, query, order=order, coded=coded)


def fetch_within(
    connection: Connection, query: Select[Any], *, order: list[str], coded: Container[str] = ()
) -> pd.DataFrame:
    """Do as `fetch` does, inside an open transaction."""
    rows = _row_by_row(connection, query, list(query.selected_columns))
    return _sorted(to_frame(rows, coded), order)


def _sorted(frame: pd.DataFrame, order: list[str]) -> pd.DataFrame:
    keys = pd.Index(frame[order[0]]) if len(order) == 1 else pd.MultiIndex.from_frame(frame[order])
    if keys.is_monotonic_increasing:
        return frame
    return frame.sort_values(order, kind="stable", ignore_index=True)


def _through_arrow(engine: Engine, query: Select[Any]) -> pa.Table | None:
    """Rows by the bulk driver; None where it met a lock, for which it does not wait."""
    columns = list(query.selected_columns)
    # the driver takes each column's type from the first rows; one leading row states it
    leading = select(*(literal(_EXAMPLE[arrow_type(column)]) for column in columns))
    statement = union_all(leading, query).compile(engine, compile_kwargs={"literal_binds": True})
    try:
        with dbapi.connect(engine.url.database) as connection, connection.cursor() as cursor:
            cursor.adbc_statement.set_options(**{"adbc.sqlite.query.batch_rows": _BATCH_ROWS})
            cursor.execute(str(statement))
            table = cursor.fetch_arrow_table().slice(1)
    except ArrowError as problem:
        if "locked" in str(problem):
            return None
        raise StoreTrouble(f"The store {place(engine)} cannot be read: {problem}.") from problem
    return pa.table(
        [
            values.cast(arrow_type(column))
            for values, column in zip(table.columns, columns, strict=True)
        ],
        names=[column.name for column in columns],
    )


def _row_by_row(connection: Connection, query: Select[Any], columns: list[Any]) -> pa.Table:
    result = connection.execute(query)
    # straight from the driver: the values need no row objects around them
    rows = [] if result.cursor is None else result.cursor.fetchall()
    result.close()
    values = zip(*rows, strict=True) if rows else [()] * len(columns)
    return pa.table(
        [
            _array(column_values, arrow_type(column))
            for column_values, column in zip(values, columns, strict=True)
        ],
        names=[column.name for column in columns],
    )


def _array(values: Iterable[Any], kind: pa.DataType) -> pa.Array:
    if pa.types.is_boolean(kind):
        values = (value if value is None else bool(value) for value in values)
    return pa.array(list(values), kind)


def _kept_apart(
    engine: Engine, table: Table, import_id: int | None, still: ColumnElement[bool] | None
) -> pd.DataFrame:
    done = schema.imports.columns
    query = select(table, done.file_name, done.kind).join_from(
        table, schema.imports, table.columns.import_id == done.id
    )
    if still is not None:
        query = query.where(still)
    if import_id is not None:
        query = query.where(table.columns.import_id == import_id)
    return fetch(engine, query, order=["import_id", "line"])
