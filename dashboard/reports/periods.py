"""The days that a report is about: a week, a calendar month, or chosen days."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal

from arcdrift.analysis.cases.week_story import WeekSpan
from arcdrift.errors import UsageError
from arcdrift.instants import instant_text
from arcdrift.times import day_bounds
from dashboard import url_query
from dashboard.components import View
from dashboard.pages.week.week_query import WEEK, asked_week, days_text, running_monday, week_key

DAY = timedelta(days=1)
FIRST_YEAR = 1990


@dataclass(frozen=True)
class Period:
    """Local workdays from one to another, both included.

    Attributes
    ----------
    span : WeekSpan
        The same days with the instants at which they begin and end (UTC).
    ends : datetime
        Instant (UTC) after which nothing counts: the end of the last day, or the crew's clock
        where that is earlier.
    name : str
        For a heading, such as "Week 46".
    key : str
        For the name of a file, such as "2026-W46".
    so_far : str
        How far a running period reaches; empty for one that is over.
    """

    span: WeekSpan
    ends: datetime
    name: str
    key: str
    so_far: str

    @property
    def first(self) -> date:
        """Its first day."""
        return self.span.monday

    @property
    def last(self) -> date:
        """Its last day."""
        return self.first + timedelta(days=self.span.days - 1)

    @property
    def days(self) -> str:
        """Its days in words, such as "9 to 15 Nov 2026"."""
        words = days_text(self.first, self.last)
        return f"{words}, so far: up to {self.so_far}" if self.so_far else words


def asked_period(view: View, default: Literal["week", "month"]) -> Period:
    """Return the period of an address: ``since`` and ``until``, a ``month`` or a ``week``.

    Without any of them it is the last week or month that is over.

    Raises
    ------
    UsageError
        Where it names days that there are not, or that lie in the future.
    """
    query = view.query
    if query.get("since") or query.get("until"):
        return _chosen_days(view)
    if query.get("month") or (default == "month" and not query.get("week")):
        return _month(view)
    week = asked_week(view)
    if query.get("week") not in (None, week_key(week.monday)):
        raise UsageError(
            f"There is no week {url_query.shown(query['week'])} up to now; write one like "
            f"{week_key(running_monday(view) - WEEK)}."
        )
    name = f"Week {week.monday.isocalendar().week}"
    return _period(view, week.monday, week.monday + 6 * DAY, name, week_key(week.monday))


def _month(view: View) -> Period:
    today = _today(view)
    last_over = today.replace(day=1) - DAY
    key = view.query.get("month") or f"{last_over:%Y-%m}"
    try:
        first = date.fromisoformat(f"{key}-01")
    except ValueError:
        first = date.max
    if not FIRST_YEAR <= first.year or first > today:
        raise UsageError(
            f"There is no month {url_query.shown(key)} up to now; write one like {last_over:%Y-%m}."
        )
    last = (first + 31 * DAY).replace(day=1) - DAY
    return _period(view, first, last, f"{first:%B} {first.year}", key)


def _chosen_days(view: View) -> Period:
    days = []
    for name in ("since", "until"):
        text = view.query.get(name, _today(view).isoformat() if name == "until" else "")
        day = url_query.day({name: text}, name)
        if not day:
            raise UsageError(f"{name} is {url_query.shown(text) or 'missing'}; write a day such as "
                             f"{_today(view)}.")  # fmt: skip
        days.append(date.fromisoformat(day))
    first, last = days
    if first > last or first > _today(view):
        raise UsageError("The first of these days lies after the last, or in the future.")
    return _period(view, first, last, "Chosen days", f"{first}-to-{last}")


def _period(view: View, first: date, last: date, name: str, key: str) -> Period:
    zone, offset = view.data.zone().key, view.data.crew.day_offset
    begins, _ = day_bounds(first, zone, offset)
    _, ends = day_bounds(last, zone, offset)
    now = view.run.now
    span = WeekSpan(first, begins.astimezone(UTC), ends.astimezone(UTC), (last - first).days + 1)
    so_far = instant_text(now.astimezone(view.data.zone())) if now < span.ends else ""
    return Period(span, min(span.ends, now), name, key, so_far)


def _today(view: View) -> date:
    return view.run.now.astimezone(view.data.zone()).date()


def weeks_of(period: Period) -> list[date]:
    """Return the Mondays of the weeks of which most days lie in a period."""
    monday = period.first - timedelta(days=period.first.weekday())
    found = []
    while monday <= period.last:
        inside = min(period.last, monday + 6 * DAY) - max(period.first, monday)
        if inside.days + 1 > 3:
            found.append(monday)
        monday += WEEK
    return found
