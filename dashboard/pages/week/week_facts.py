"""Figures of a week that its page and its report tell: checks in time, cases by state."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any, NamedTuple

import pandas as pd

from arcdrift.analysis.cases.week_story import WeekSpan
from arcdrift.analysis.checks.compliance import compliance, wilson
from arcdrift.case import STATES
from arcdrift.wording import count_text, interval_text, percent_text

WEEKS_BEFORE = 4
OPEN_STATES = ("new", "taken-on", "waiting")
NO_WORKDAY = "no finished workday"


class WeekShare(NamedTuple):
    """A share of a week with its interval, and the counts behind it."""

    share: str
    counts: str


def checks_in_time(check_days: pd.DataFrame, week: WeekSpan) -> WeekShare:
    """Return the share of a week's workdays on which the arc was checked in time.

    Parameters
    ----------
    check_days : DataFrame
        Rows of ``result_check_days``.
    """
    now, before = (compliance(days, "crew") for days in _week_and_before(check_days, week))
    if not now:
        return WeekShare(NO_WORKDAY, "")
    row = now[0]
    counts = f"{row['checked']} of {count_text(row['days'], 'workday')}"
    if before:
        counts += f"; {percent_text(before[0]['share'])} in the four weeks before"
    share = interval_text(100 * row["share"], 100 * row["low"], 100 * row["high"], "%")
    return WeekShare(share, counts)


def right_first_time(crew_days: pd.DataFrame, week: WeekSpan) -> WeekShare:
    """Return the share of a week's places that were right first time, with Wilson's interval.

    Parameters
    ----------
    crew_days : DataFrame
        Rows of ``result_crew_days``.
    """
    now, before = _week_and_before(crew_days, week)
    places = int(now["places"].sum())
    if not places:
        return WeekShare("no place assessed", "")
    right = places - int(now["again"].sum())
    low, high = wilson(right, places)
    counts = f"{right:,} of {count_text(places, 'place')}"
    if earlier := int(before["places"].sum()):
        counts += f"; {percent_text(1 - before['again'].sum() / earlier)} in the four weeks before"
    return WeekShare(interval_text(100 * right / places, 100 * low, 100 * high, "%"), counts)


def _week_and_before(days: pd.DataFrame, week: WeekSpan) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of a week, and those of the weeks before it."""
    first, start, end = (
        day.isoformat()
        for day in (
            week.monday - timedelta(weeks=WEEKS_BEFORE),
            week.monday,
            week.monday + timedelta(days=week.days),
        )
    )
    day = days["day"]
    return days[(day >= start) & (day < end)], days[(day >= first) & (day < start)]


def open_counts(cases: Sequence[Mapping[str, Any]]) -> list[tuple[str, int]]:
    """Return how many cases are in each state that is open, by the state's words."""
    return [(STATES[state], sum(case["state"] == state for case in cases)) for state in OPEN_STATES]


def closed_text(cases: Sequence[Mapping[str, Any]], week: WeekSpan, name: str = "week") -> str:
    """Say how many cases were closed in a week."""
    closed = sum(bool(case["closed"]) and week.holds(case["closed"]["at"]) for case in cases)
    return f"{closed} closed in this {name}"
