"""Findings on splicer clocks that were wrong, and the stretches as rows of the store."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import timedelta
from zoneinfo import ZoneInfo

import pandas as pd

from arcdrift.analysis.clock.clock_errors import ClockErrors, WrongStretch
from arcdrift.analysis.common.days import record_sites, site_time_zones
from arcdrift.finding import Cause, Finding, Onset
from arcdrift.settings import Crew

_YEAR_H = 24 * 300
"""Offsets from this many hours on are errors of the date, written in days."""
COLUMNS = (
    "splicer", "starts_at", "ends_at", "first_number", "end_number", "first_arc", "end_arc",
    "shift_h", "since", "until", "splices", "checks", "days",
)  # fmt: skip


def clock_findings(
    clocks: Mapping[str, ClockErrors], crew: Crew, now: pd.Timestamp
) -> Iterator[Finding]:
    """One finding for each stretch; its records are kept apart until a person enters the shift.

    Parameters
    ----------
    clocks : mapping of ClockErrors
        By splicer.
    """
    for splicer, clock in clocks.items():
        for stretch in clock.stretches:
            yield _finding(splicer, stretch, crew, now)


def clock_stretch_table(clocks: Mapping[str, ClockErrors]) -> pd.DataFrame:
    """Rows of ``result_clock_stretches``."""
    rows = [
        asdict(stretch.bounds)
        | {
            "shift_h": stretch.shift_h,
            "since": stretch.since,
            "until": stretch.until,
            "splices": stretch.splices,
            "checks": stretch.checks,
            "days": stretch.days,
        }
        for clock in clocks.values()
        for stretch in clock.stretches
    ]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return table.astype(dict.fromkeys(COLUMNS[3:8], "float64"))


def unreadable_counts(clocks: Mapping[str, ClockErrors]) -> dict[str, str]:
    """Reason, by splicer, why its counts could not be used to examine its clock."""
    return {
        splicer: clock.unusable_reason
        for splicer, clock in clocks.items()
        if clock.unusable_reason is not None
    }


def shift_text(hours: int) -> str:
    """Write whole hours as they are typed after ``--shift``."""
    return f"{hours:+d}h"


def typed_bounds(stretch: WrongStretch, zone: str) -> tuple[str, str]:
    """Local times, to the minute, that enclose all records of a stretch."""
    zone_info = ZoneInfo(zone)
    first = stretch.bounds.starts_at.astimezone(zone_info)
    last = stretch.bounds.ends_at.astimezone(zone_info) + timedelta(minutes=1)
    return f"{first:%Y-%m-%dT%H:%M}", f"{last:%Y-%m-%dT%H:%M}"


def home_zone(splicer: str, crew: Crew) -> str:
    """Zone of a splicer's home site, in which times typed for it are read."""
    records = pd.DataFrame({"splicer": [splicer]})
    return str(site_time_zones(record_sites(records, crew), crew).iloc[0])


def _finding(splicer: str, stretch: WrongStretch, crew: Crew, now: pd.Timestamp) -> Finding:
    hours = stretch.shift_h
    days = stretch.days
    start, end = typed_bounds(stretch, home_zone(splicer, crew))
    offset = "by how much is not known" if hours is None else _offset_text(hours)
    evidence: dict[str, object] = {
        "days_kept_apart": days,
        "splices_kept_apart": stretch.splices,
        "checks_kept_apart": stretch.checks,
        "shift_hours": hours,
        "logged_from": start,
        "logged_until": end,
        "still_wrong": stretch.ongoing,
    }
    shift = "SHIFT" if hours is None else shift_text(hours)
    set_clock = (
        "Set the clock on the splicer; then "
        if stretch.ongoing
        else ("Make sure that the clock on the splicer is right; then ")
    )
    earliest = stretch.before if stretch.before is not None else stretch.since
    return Finding(
        kind="clock-wrong",
        subject_type="splicer",
        subject_id=splicer,
        since=stretch.since.to_pydatetime(),
        until=stretch.until.to_pydatetime(),
        onset=Onset(
            stretch.since.to_pydatetime(),
            min(earliest, stretch.since).to_pydatetime(),
            stretch.since.to_pydatetime(),
        ),
        severity="act",
        evidence=evidence,
        summary=(
            f"{splicer}: the clock was wrong, {offset}; {stretch.splices} splices and "
            f"{stretch.checks} arc checks on {days} {'day' if days == 1 else 'days'} are kept "
            "apart until somebody says by how much."
        ),
        likely_causes=_causes(hours),
        next_step=(
            f"{set_clock}arcdrift clock {splicer} --shift {shift} --from {start} --until {end} "
            "--by NAME --why TEXT (a shift of 0h says that it was right)."
        ),
        assessed_on=now.to_pydatetime(),
    )


def _offset_text(hours: int) -> str:
    side = "slow" if hours > 0 else "fast"
    size = abs(hours)
    if size >= _YEAR_H:
        return f"{size / 24:,.0f} days {side}"
    return f"{size} {'hour' if size == 1 else 'hours'} {side}"


def _causes(hours: int | None) -> tuple[Cause, ...]:
    if hours is None:
        return ()
    if hours >= _YEAR_H:
        return (Cause("clock without power", "it began again at an old date", 1.0),)
    if abs(hours) >= _YEAR_H:
        return (Cause("date mistyped", "it runs in a time to come", 1.0),)
    if abs(hours) == 1:
        return (Cause("summer time", "one hour is what clocks change by", 1.0),)
    return (Cause("time zone or hour mistyped", "it is off by whole hours", 1.0),)
