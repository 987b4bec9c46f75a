"""Places right first time in a week, with an interval and what it was before."""

from datetime import UTC, date, datetime

import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from arcdrift.analysis.cases.week_story import WeekSpan
from dashboard.pages.week.week_facts import right_first_time

WEEK = WeekSpan(
    date(2026, 11, 2), datetime(2026, 11, 2, tzinfo=UTC), datetime(2026, 11, 9, tzinfo=UTC)
)


def crew_days(*days: tuple[str, int, int]) -> pd.DataFrame:
    return pd.DataFrame(days, columns=["day", "places", "again"])


def test_the_share_of_a_week_has_wilson_s_interval_and_the_weeks_before() -> None:
    days = crew_days(
        ("2026-10-04", 900, 900), ("2026-10-05", 100, 5), ("2026-11-01", 300, 3),
        ("2026-11-02", 120, 6), ("2026-11-08", 80, 4), ("2026-11-09", 900, 900),
    )  # fmt: skip
    found = right_first_time(days, WEEK)
    low, high = proportion_confint(190, 200, method="wilson")
    assert found.share == f"95 ({100 * low:.0f} to {100 * high:.0f}) %"
    assert found.counts == "190 of 200 places; 98 % in the four weeks before"


def test_a_week_without_places_says_so() -> None:
    found = right_first_time(crew_days(("2026-11-01", 300, 3)), WEEK)
    assert found == ("no place assessed", "")
