"""Wrong clocks of splicers as pages show them, and the shifts that people set there."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import pandas as pd

from arcdrift.analysis.clock.clock_evidence import ClockEvidence, clock_evidence
from arcdrift.analysis.clock.count_order import COUNTER_COLUMNS
from arcdrift.clock_bounds import MAX_SHIFT, ClockBounds
from arcdrift.errors import UsageError
from arcdrift.instants import instant_text
from arcdrift.store.annotations.clock_shifts import (
    ClockShift,
    OverlappingShift,
    clock_shifts,
    count_within,
    set_shift,
    suspected_bounds,
    undo_shift,
)
from arcdrift.store.records.future_records import leads_into_future
from arcdrift.store.records.record_rows import read_records
from arcdrift.wording import clock_shift_text
from dashboard.reading.data import CrewData

_COLUMNS = ("id", "import_id", "spliced_at", *COUNTER_COLUMNS)
TO_DO = "set by how much a clock was wrong"


@dataclass(frozen=True)
class WrongClock:
    """A stretch of records that the last analysis kept apart.

    Attributes
    ----------
    shift : timedelta or None
        Suggested by the analysis.
    shift_set : ClockShift or None
        The shift that somebody has set for it since.
    """

    bounds: ClockBounds
    shift: timedelta | None
    splices: int
    checks: int
    shift_set: ClockShift | None


def wrong_clocks(data: CrewData, splicers: Collection[str] | None = None) -> list[WrongClock]:
    """Return the stretches of some splicers, of all by default, those with most records first."""
    rows = data.result("result_clock_stretches")
    if splicers is not None:
        rows = rows[rows["splicer"].isin(splicers)]
    if rows.empty:
        return []
    shifts = shifts_in_force(data, splicers)
    bounds = {
        (each.splicer, pd.Timestamp(each.starts_at)): each
        for each in suspected_bounds(data.engine, splicers)
    }
    found = []
    for row in rows.to_dict("records"):
        stretch = bounds.get((row["splicer"], row["starts_at"]))
        if stretch is None:
            continue  # analyzed anew in between
        set_since = [
            each
            for each in shifts
            if each.bounds.splicer == stretch.splicer and each.bounds.overlaps(stretch)
        ]
        shift = None if pd.isna(row["shift_h"]) else timedelta(hours=float(row["shift_h"]))
        found.append(
            WrongClock(
                stretch, shift, int(row["splices"]), int(row["checks"]), next(iter(set_since), None)
            )
        )
    return sorted(found, key=lambda each: each.splices + each.checks, reverse=True)


def shifts_in_force(data: CrewData, splicers: Collection[str] | None = None) -> list[ClockShift]:
    """Return the shifts that count, the latest first, with names only where they may be shown."""
    names = data.names_of_people()
    found = []
    for shift in clock_shifts(data.engine, splicers=splicers):
        words = data.people.written({"by": shift.said_by, "why": shift.why}, names)
        found.append(replace(shift, said_by=words["by"], why=words["why"]))
    return found[::-1]


def evidence_of(
    data: CrewData, clocks: Sequence[WrongClock], now: datetime
) -> tuple[ClockEvidence | str, ...]:
    """Return what shows that each clock was wrong; else why its counts show nothing.

    Parameters
    ----------
    now : aware datetime
        Later times are wrong.
    """
    found: tuple[ClockEvidence | str, ...] = data.keep_with_store(_read_evidence, *clocks, now)
    return found


def _read_evidence(data: CrewData, *given: Any) -> tuple[ClockEvidence | str, ...]:
    *clocks, now = given
    found: dict[WrongClock, ClockEvidence | str] = {}
    for splicer in {clock.bounds.splicer for clock in clocks}:
        splices = read_records(data.engine, "splices", splicers=[splicer], columns=_COLUMNS)
        for clock in clocks:
            if clock.bounds.splicer == splicer:
                found[clock] = clock_evidence(splices, clock.bounds, pd.Timestamp(now), clock.shift)
    return tuple(found[clock] for clock in clocks)


def set_clock_shift(
    data: CrewData, splicer: str, starts_at: datetime, shift: timedelta, *, by: str, why: str
) -> None:
    """Set by how much a clock was wrong in a stretch that the last analysis kept apart.

    Parameters
    ----------
    starts_at : aware datetime
        Beginning of the stretch, as logged.
    shift : timedelta
        What is added to the logged times; none says that the clock was right.

    Raises
    ------
    UsageError
        When the viewer may not, or the shift cannot be kept as it is.
    """
    data.require_role("trainer", TO_DO)
    if not by:
        raise UsageError("Say who you are first: type your name above.")
    if not why.strip():
        raise UsageError("Say how it is known by how much the clock was wrong.")
    if abs(shift) > MAX_SHIFT:
        raise UsageError("That is longer than 40 years; check the numbers.")
    stretches = suspected_bounds(data.engine, [splicer])
    bounds = next((each for each in stretches if each.starts_at == starts_at), None)
    if bounds is None or not count_within(data.engine, bounds):
        raise UsageError("These records are kept apart no longer; load the page again.")
    if leads_into_future(data.engine, data.crew, bounds.ends_at, shift):
        raise UsageError(
            f"{clock_shift_text(shift).capitalize()}, these records would lie in the future; "
            "check the numbers, and whether later or earlier is meant."
        )
    try:
        set_shift(data.engine, bounds, shift, said_by=by, why=why)
    except OverlappingShift as problem:
        other = problem.other
        zone = data.zone_of_splicer(splicer)
        first, last = (
            instant_text(end.astimezone(zone))
            for end in (other.bounds.starts_at, other.bounds.ends_at)
        )
        raise UsageError(
            f"A shift is in force already for part of these records, logged {first} to {last} "
            f"({clock_shift_text(other.shift)}); undo that one first."
        ) from None


def undo_clock_shift(data: CrewData, splicer: str, number: int) -> None:
    """Take a clock shift back; its records are read as logged again.

    Raises
    ------
    UsageError
        When the viewer may not, there is no such shift, or it was taken back before.
    """
    data.require_role("trainer", TO_DO)
    if number not in {shift.id for shift in clock_shifts(data.engine, splicers=[splicer])}:
        raise UsageError("That shift is in force no longer; load the page again.")
    undo_shift(data.engine, splicer, number)
