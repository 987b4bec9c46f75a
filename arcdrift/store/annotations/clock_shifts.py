"""Clock shifts: by how much people say a splicer's clock was wrong, and for which records.

Stored records keep the time as logged; the shift is added when they are read.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Engine,
    Table,
    and_,
    case,
    func,
    insert,
    literal,
    or_,
    select,
    update,
)

from arcdrift.clock_bounds import COUNTERS, ClockBounds
from arcdrift.errors import UsageError
from arcdrift.instants import instant_at, microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import reading, writing

SPLICER_TIMED = ("arc-checks", "splices")
"""Kinds of record whose time comes from the splicer's clock."""


@dataclass(frozen=True)
class ClockShift:
    """By how much a splicer's clock was wrong within bounds, who said so and why."""

    id: int
    bounds: ClockBounds
    shift: timedelta
    said_by: str
    why: str
    recorded_at: datetime
    undone_at: datetime | None = None


class OverlappingShift(UsageError):
    """A shift was refused because another one is in force for part of its stretch."""

    def __init__(self, other: ClockShift) -> None:
        self.other = other
        super().__init__(
            f"Shift {other.id} already covers part of that stretch; take it back first "
            f"with `arcdrift clock {other.bounds.splicer} --undo {other.id}`."
        )


def clock_shifts(
    engine: Engine, *, splicers: Iterable[str] | None = None, undone: bool = False
) -> list[ClockShift]:
    """Read the shifts in the order they were recorded; `undone` includes withdrawn ones."""
    with reading(engine) as connection:
        return _shifts(connection, splicers, undone)


def set_shift(
    engine: Engine, bounds: ClockBounds, shift: timedelta, *, said_by: str, why: str
) -> ClockShift:
    """Record by how much a splicer's clock was wrong; the records themselves do not change.

    Raises
    ------
    OverlappingShift
        When the bounds overlap those of another shift.
    UsageError
        When the bounds are empty, or no name or reason is given.
    """
    if bounds.ends_at <= bounds.starts_at:
        raise UsageError("The stretch ends before it begins; give --from before --until.")
    if not said_by.strip() or not why.strip():
        raise UsageError("A shift needs a name and a reason; give --by and --why.")
    now = datetime.now(UTC)
    with writing(engine) as connection:
        for other in _shifts(connection, [bounds.splicer], False):
            if other.bounds.overlaps(bounds):
                raise OverlappingShift(other)
        values = asdict(bounds) | {
            "starts_at": microseconds(bounds.starts_at),
            "ends_at": microseconds(bounds.ends_at),
            "shift_s": round(shift.total_seconds()),
            "said_by": said_by.strip(),
            "why": why.strip(),
            "recorded_at": microseconds(now),
        }
        table = schema.clock_shifts
        statement = insert(table).values(**values).returning(table.columns.id)
        shift_id = int(connection.execute(statement).scalar_one())
    return ClockShift(shift_id, bounds, shift, said_by.strip(), why.strip(), now)


def undo_shift(engine: Engine, splicer: str, shift_id: int) -> None:
    """Withdraw a shift; it stays on record as undone.

    Raises
    ------
    UsageError
        When the splicer has no such shift, or it was withdrawn before.
    """
    table = schema.clock_shifts
    with writing(engine) as connection:
        known = {shift.id: shift for shift in _shifts(connection, [splicer], True)}
        if shift_id not in known:
            listed = ", ".join(str(number) for number in known) or "none"
            raise UsageError(f"{splicer} has no shift {shift_id}; on record: {listed}.")
        if known[shift_id].undone_at is not None:
            raise UsageError(f"Shift {shift_id} was taken back before; nothing was changed.")
        now = microseconds(datetime.now(UTC))
        connection.execute(update(table).where(table.columns.id == shift_id).values(undone_at=now))


def suspected_bounds(engine: Engine, splicers: Iterable[str] | None = None) -> list[ClockBounds]:
    """Bounds of the records that the last analysis did not use because a clock was wrong."""
    table = schema.RESULTS["result_clock_stretches"]
    query = select(table)
    if splicers is not None:
        query = query.where(table.columns.splicer.in_(sorted(set(splicers))))
    with reading(engine) as connection:
        return [_bounds(row) for row in connection.execute(query)]


def count_within(engine: Engine, bounds: ClockBounds) -> int:
    """Number of checks and splices within bounds."""
    with reading(engine) as connection:
        return sum(
            connection.execute(
                select(func.count()).select_from(table).where(bounds_condition(bounds, table))
            ).scalar_one()
            for table in (schema.RECORDS[kind] for kind in SPLICER_TIMED)
        )


def true_time(table: Table, shifts: Iterable[ClockShift]) -> ColumnElement[int]:
    """Time column of a record table with the shifts added; the column itself without any."""
    time = table.columns[schema.TIME_COLUMN[_kind(table)]]
    shifted = [
        (bounds_condition(shift.bounds, table), time + shift.shift // timedelta(microseconds=1))
        for shift in shifts
        if shift.shift
    ]
    return case(*shifted, else_=time).label(time.name) if shifted else time


def bounds_condition(bounds: ClockBounds, table: Table) -> ColumnElement[bool]:
    """`ClockBounds.contains` for every splicer's rows of a record table, as an SQL condition."""
    columns = table.columns
    time = columns[schema.TIME_COLUMN[_kind(table)]]
    counts: ColumnElement[bool] = literal(True)
    for column, counter in reversed(COUNTERS):
        if column in columns and bounds.limits_counter(counter):
            count = columns[column]
            counts = or_(
                and_(count.is_not(None), bounds.counter_inside(count, counter)),
                and_(count.is_(None), counts),
            )
    # what was written down by hand has the time of a person's clock
    logged = (
        [columns.import_id.not_in(select(schema.written.columns.import_id))]
        if table is schema.arc_checks
        else []
    )
    return and_(
        *logged,
        columns.splicer == bounds.splicer,
        time >= microseconds(bounds.starts_at),
        time < microseconds(bounds.ends_at),
        counts,
    )


def _kind(table: Table) -> str:
    return next(kind for kind, known in schema.RECORDS.items() if known is table)


def _shifts(
    connection: Connection, splicers: Iterable[str] | None, undone: bool
) -> list[ClockShift]:
    table = schema.clock_shifts
    query = select(table).order_by(table.columns.id)
    if splicers is not None:
        query = query.where(table.columns.splicer.in_(sorted(set(splicers))))
    if not undone:
        query = query.where(table.columns.undone_at.is_(None))
    return [
        ClockShift(
            id=row.id,
            bounds=_bounds(row),
            shift=timedelta(seconds=row.shift_s),
            said_by=row.said_by,
            why=row.why,
            recorded_at=instant_at(row.recorded_at),
            undone_at=None if row.undone_at is None else instant_at(row.undone_at),
        )
        for row in connection.execute(query)
    ]


def _bounds(row: Any) -> ClockBounds:
    return ClockBounds(
        row.splicer,
        instant_at(row.starts_at),
        instant_at(row.ends_at),
        row.first_number,
        row.end_number,
        row.first_arc,
        row.end_arc,
    )
