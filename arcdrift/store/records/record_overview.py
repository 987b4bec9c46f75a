"""What records there are: splicers, numbers of splices, first and last times.

What returns no frame and no time stamp does without pandas: commands that must answer at once
would spend most of their time on loading it.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import Engine, Select, Subquery, func, select, union_all

from arcdrift.instants import instant_at, microseconds
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import SPLICER_TIMED, clock_shifts, true_time
from arcdrift.store.database.connect import reading

if TYPE_CHECKING:
    import pandas as pd


def splice_counts(engine: Engine) -> dict[str, int]:
    """Number of splices on record by splicer; 0 for a splicer with checks alone."""
    splicer = schema.splices.columns.splicer
    query = select(splicer, func.count()).group_by(splicer)
    with reading(engine) as connection:
        counts = {name: int(count) for name, count in connection.execute(query)}
    return dict.fromkeys(read_splicers(engine), 0) | counts


def read_splicers(engine: Engine) -> list[str]:
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


def _splicer_names(table: Any) -> Subquery:
    """Splicers of a record table, found by one index look-up a name instead of a scan of rows."""
    column = table.columns.splicer
    walk = select(func.min(column).label("splicer")).cte(recursive=True)
    following = select(func.min(column)).where(column > walk.c.splicer).scalar_subquery()
    walk = walk.union_all(select(following).where(walk.c.splicer.is_not(None)))
    return select(walk.c.splicer).where(walk.c.splicer.is_not(None)).subquery()
