"""Where records come from: each splicer and each source of readings, when it was last heard of."""

from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import ColumnElement, Connection, Engine, func, select

from arcdrift.instants import instant_at, microseconds
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import SPLICER_TIMED
from arcdrift.store.database.connect import reading
from arcdrift.store.records.record_overview import names_in
from arcdrift.store.schema.change_triggers import DAY_US

_Asked = tuple[str, str, ColumnElement[str], tuple[ColumnElement[bool], ...]]
"""Kind of source, kind of its records, the column that names it, and which rows are its own."""


class RecordSource(NamedTuple):
    """A splicer, or a source of readings.

    Attributes
    ----------
    kind : str
        ``splicer`` for its log; ``readings of splicer``, ``site logger`` or ``weather station``.
    name : str
        Of the splicer, site or station.
    newest : datetime
        Its newest record that does not lie in the future (UTC, as logged).
    days : frozenset of int
        Days since 1970 (UTC) with a record, of those that were asked for.
    file, sent_by : str
        The file in which the newest record came, and who sent it in; empty where nobody noted it.
    """

    kind: str
    name: str
    newest: datetime
    days: frozenset[int]
    file: str
    sent_by: str


def record_sources(engine: Engine, now: datetime, days: int) -> list[RecordSource]:
    """Return every splicer and every source of readings.

    Parameters
    ----------
    now : aware datetime
        Later records are left out.
    days : int
        How many days before `now` are looked at for records.
    """
    r = schema.readings.columns
    asked: tuple[_Asked, ...] = (
        *(("splicer", log, schema.RECORDS[log].columns.splicer, ()) for log in SPLICER_TIMED),
        ("readings of splicer", "readings", r.splicer, ()),
        ("site logger", "readings", r.site, (r.splicer.is_(None), r.station.is_(None))),
        ("weather station", "readings", r.station, (r.splicer.is_(None), r.site.is_(None))),
    )
    with reading(engine) as connection:
        files = _files(connection)
        found: dict[tuple[str, str], RecordSource] = {}
        for each in asked:
            kind = each[0]
            for source in _sources(connection, each, now, days, files):
                known = found.get((kind, source.name))
                if known is not None:  # a splicer has checks and splices
                    later = max(known, source, key=lambda each: each.newest)
                    source = later._replace(days=known.days | source.days)
                found[kind, source.name] = source
    return sorted(found.values(), key=lambda source: (source.kind != "splicer", source[:2]))


def _files(connection: Connection) -> dict[int, tuple[str, str]]:
    t = schema.imports.columns
    rows = connection.execute(select(t.id, t.file_name, t.imported_by))
    return {row.id: (row.file_name, row.imported_by or "") for row in rows}


def _sources(
    connection: Connection,
    asked: _Asked,
    now: datetime,
    days: int,
    files: dict[int, tuple[str, str]],
) -> list[RecordSource]:
    kind, log, column, where = asked
    table = schema.RECORDS[log]
    time = table.columns[schema.TIME_COLUMN[log]]
    until, since = microseconds(now), microseconds(now - timedelta(days=days))
    # name by name, so that an index leads to the few rows that are asked for
    names = names_in(column)
    past = (*where, column == names.c.name, time <= until)
    newest = select(func.max(time)).where(*past).scalar_subquery().label("at")
    last = {
        row.name: row.at
        for row in connection.execute(select(names.c.name, newest))
        if row.at is not None
    }
    day = time // DAY_US
    with_records: dict[str, set[int]] = {name: set() for name in last}
    recent = select(names.c.name, day.label("day")).where(*past, time > since).distinct()
    for row in connection.execute(recent):
        with_records[row.name].add(int(row.day))
    found = []
    for name, at in last.items():
        import_id = connection.execute(
            select(table.columns.import_id).where(*where, column == name, time == at).limit(1)
        ).scalar()
        file, sent_by = files.get(import_id or 0, ("", ""))
        found.append(
            RecordSource(kind, name, instant_at(at), frozenset(with_records[name]), file, sent_by)
        )
    return found
