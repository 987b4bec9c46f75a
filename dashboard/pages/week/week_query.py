"""Which week an address asks for."""

from datetime import UTC, date, datetime, timedelta

from arcdrift.analysis.cases.week_story import WeekSpan
from arcdrift.instants import day_text
from arcdrift.times import day_bounds
from dashboard.components import View

WEEK = timedelta(days=7)


def week_key(monday: date) -> str:
    """Return a week as it stands in addresses, such as ``2026-W46``."""
    year, number, _ = monday.isocalendar()
    return f"{year}-W{number:02d}"


def monday_of_key(key: str) -> date | None:
    """Return the Monday of a week in an address; None where it is none."""
    year, _, number = key.partition("-W")
    try:
        return date.fromisocalendar(int(year), int(number), 1)
    except ValueError:
        return None


def running_monday(view: View) -> date:
    """Return the Monday of the running week in the crew's time zone."""
    today = view.run.now.astimezone(view.data.zone()).date()
    return today - timedelta(days=today.weekday())


def asked_week(view: View) -> WeekSpan:
    """Return the week of the address; without one, or a later one, the last that is over."""
    running = running_monday(view)
    monday = monday_of_key(view.query.get("week", ""))
    if monday is None or monday > running or monday.year < 1990:
        monday = running - WEEK
    zone, offset = view.data.zone().key, view.data.crew.day_offset
    begins, _ = day_bounds(monday, zone, offset)
    ends, _ = day_bounds(monday + WEEK, zone, offset)
    return WeekSpan(monday, begins.astimezone(UTC), ends.astimezone(UTC))


def days_text(first: date, last: date | None = None) -> str:
    """Return days from one to another, such as ``9 to 15 Nov 2026``; by default those of a week."""
    last = first + timedelta(days=6) if last is None else last
    if first == last:
        return day_text(first)
    begin = str(first.day) if first.month == last.month else f"{first.day} {first:%b}"
    if first.year != last.year:
        begin = day_text(first)
    return f"{begin} to {day_text(last)}"


def iso(day: date | datetime) -> str:
    """Return a day as result tables have it."""
    return day.strftime("%Y-%m-%d")
