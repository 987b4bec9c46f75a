"""What records there are: splicers, numbers of splices, first and last times.

What returns no frame and no time stamp does without pandas: commands that must answer at once
would spend most of their time on loading it.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import ColumnElement, Engine, Select, Subquery, func, select, union_all

from arcdrift.clock_bounds import MAX_AHEAD
from arcdrift.instants import instant_at, microseconds
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import SPLICER_TIMED, clock_shifts, true_time
from arcdrift.store.database.connect import reading

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd


class SpliceCounts(NamedTuple):
    """Number of splices by splicer, of those with an id up to `newest`."""

    by_splicer: dict[str, int]
    newest: int


def splice_counts(
    engine: Engine, known: SpliceCounts | None = None, newest_id: int | None = None
) -> SpliceCounts:
    """Number of splices on record by splicer; 0 for a splicer with checks alone.

    Parameters
    ----------
    known : SpliceCounts, optional
        Counts from before, since when no splice was changed or deleted: only those added are
        counted.
    newest_id : int, optional
        Splices with higher ids, which were stored later, are left out.
    """
    c = schema.splices.columns
    rows = select(c.splicer.label("name"), c.id)
    if known is not None:
        # an expression, so that SQLite looks for the ids instead of going through all names
        rows = select(func.coalesce(c.splicer, "").label("name"), c.id).where(c.id > known.newest)
    if newest_id is not None:
        rows = rows.where(c.id <= newest_id)
    added = rows.subquery()
    query = select(added.c.name, func.count(), func.max(added.c.id)).group_by(added.c.name)
    counts = dict.fromkeys(read_splicers(engine), 0) | ({} if known is None else known.by_splicer)
    newest = 0 if known is None else known.newest
    with reading(engine) as connection:
        for name, count, last in connection.execute(query):
            counts[name] = counts.get(name, 0) + int(count)
            newest = max(newest, int(last))
    return SpliceCounts(counts, newest)


def read_splicers(engine: Engine) -> list[str]:
    """Names of all splicers that have a check or a splice on record, sorted."""
    tables = (schema.splices, schema.arc_checks)
    query = union_all(
        *(select(names_in(table.columns.splicer).c.name.label("splicer")) for table in tables)
    )
    with reading(engine) as connection:
        return sorted({row.splicer for row in connection.execute(query)})


def max_splice_count(engine: Engine) -> int:
    """Upper bound of the number of splices in the store: the highest id given to one."""
    query = select(func.max(schema.splices.columns.id))
    with reading(engine) as connection:
        return int(connection.execute(query).scalar() or 0)


def newest_records(engine: Engine, until: datetime | None = None) -> dict[str, datetime]:
    """Instant (UTC) of the newest check or splice by splicer, in alphabetical order.

    Parameters
    ----------
    until : aware datetime, optional
        Later records are left out.
    """
    shifts = clock_shifts(engine)
    latest: list[Select[Any]] = []
    for kind in SPLICER_TIMED:
        table = schema.RECORDS[kind]
        if shifts:
            time = true_time(table, shifts)
            query = select(table.columns.splicer, func.max(time).label("time"))
            query = query.group_by(table.columns.splicer)
            latest.append(query if until is None else query.where(time <= microseconds(until)))
            continue
        names, time = names_in(table.columns.splicer), table.columns[schema.TIME_COLUMN[kind]]
        last = select(func.max(time)).where(table.columns.splicer == names.c.name)
        last = last if until is None else last.where(time <= microseconds(until))
        latest.append(select(names.c.name.label("splicer"), last.scalar_subquery().label("time")))
    with reading(engine) as connection:
        rows = sorted(row for row in connection.execute(union_all(*latest)) if row.time is not None)
    return {splicer: instant_at(time) for splicer, time in rows}  # of two times the later one


def newest_record(
    engine: Engine,
    wall: datetime | None = None,
    mostly_after: Callable[[datetime], bool] | None = None,
) -> pd.Timestamp | None:
    """Instant (UTC) of the newest check or splice that can be believed; None in an empty store.

    A record that lies in the future was logged by a wrong clock: one of the year 2100 must not
    make every check overdue. Only where most records lie in the future is it this computer's
    clock that does not suit them, as with invented logs; then the newest of all counts.

    Parameters
    ----------
    wall : aware datetime, optional
        What this computer's clock shows; its present time where it is left out.
    mostly_after : callable, optional
        Instead of `are_mostly_after`, which counts all records: what is known of it.
    """
    import pandas as pd

    latest_possible = (datetime.now(UTC) if wall is None else wall) + MAX_AHEAD
    newest = max(newest_records(engine).values(), default=None)
    if newest is not None and newest > latest_possible:
        believed = max(newest_records(engine, latest_possible).values(), default=None)
        known = partial(are_mostly_after, engine) if mostly_after is None else mostly_after
        if believed is not None and not known(latest_possible):
            newest = believed
    return None if newest is None else pd.Timestamp(newest).as_unit("us")


def are_mostly_after(engine: Engine, instant: datetime) -> bool:
    """Return whether more than half of all checks and splices, as logged, lie after an instant."""
    tables = {kind: schema.RECORDS[kind] for kind in SPLICER_TIMED}
    later = 0
    with reading(engine) as connection:
        highest = [select(func.max(table.columns.id)) for table in tables.values()]
        most = sum(connection.execute(query).scalar() or 0 for query in highest)
        for kind, table in tables.items():
            names, time = names_in(table.columns.splicer), table.columns[schema.TIME_COLUMN[kind]]
            # by splicer, so that the rows are counted in the index
            of_splicer = select(func.count()).where(
                table.columns.splicer == names.c.name, time > microseconds(instant)
            )
            query = select(of_splicer.scalar_subquery()).select_from(names)
            for count in connection.execute(query).scalars():
                later += count
                if 2 * later > most:  # and there are no more records than the ids given
                    return True
        counts = [select(func.count()).select_from(table) for table in tables.values()]
        return 2 * later > sum(connection.execute(query).scalar_one() for query in counts)


def assessment_time(
    engine: Engine, crew: Crew, mostly_after: Callable[[datetime], bool] | None = None
) -> pd.Timestamp:
    """UTC instant results speak of: now, or the newest record's time if crew.toml says so.

    `mostly_after` is that of `newest_record`.
    """
    import pandas as pd

    frozen = crew.clock == "newest-record"
    newest = newest_record(engine, mostly_after=mostly_after) if frozen else None
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


def oldest_splices(engine: Engine) -> pd.DataFrame:
    """First splice of each splicer, as logged: ``splicer``, ``spliced_at`` (UTC)."""
    import pandas as pd

    names, time = names_in(schema.splices.columns.splicer), schema.splices.columns.spliced_at
    first = select(func.min(time)).where(schema.splices.columns.splicer == names.c.name)
    query = select(names.c.name, first.scalar_subquery().label("spliced_at"))
    with reading(engine) as connection:
        rows = connection.execute(query).all()
    frame = pd.DataFrame(rows, columns=["splicer", "spliced_at"])
    spliced_at = pd.to_datetime(frame["spliced_at"], unit="us", utc=True).dt.as_unit("us")
    return frame.assign(spliced_at=spliced_at)


def names_in(column: ColumnElement[str]) -> Subquery:
    """Names in a column that an index begins with, as a subquery with one column ``name``.

    They are found by one look-up a name, and not by a scan of all rows.
    """
    walk = select(func.min(column).label("name")).cte(recursive=True)
    following = select(func.min(column)).where(column > walk.c.name).scalar_subquery()
    walk = walk.union_all(select(following).where(walk.c.name.is_not(None)))
    return select(walk.c.name).where(walk.c.name.is_not(None)).subquery()
