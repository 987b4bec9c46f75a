"""A month of the budget is 22 days of ordinary work, whatever few splices fall on weekends."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.common.days import full_workdays, monthly_counts, workdays_of


def year(weekday: int, weekend: int) -> tuple[np.ndarray, np.ndarray]:
    """Counts of each day of 2026 with any, and whether each is a weekday (261 of them)."""
    days = pd.date_range("2026-01-01", "2026-12-31")
    working = np.asarray(days.day_of_week < 5)
    counts = np.where(working, weekday, weekend)
    return counts[counts > 0], working[counts > 0]


@pytest.mark.parametrize("weekend", [0, 1, 8])
def test_light_weekends_are_no_workdays(weekend: int):
    counts, working = year(270, weekend)
    np.testing.assert_array_equal(full_workdays(counts), working)
    monthly = monthly_counts(counts)
    # 22 weekdays hold 8 or 9 days of weekends, whose points count as well
    assert monthly[-1] == pytest.approx(22 * 270 + 8.5 * weekend, abs=weekend)


def test_a_crew_that_works_alike_on_all_days_has_a_month_of_22_days():
    counts, _ = year(40, 40)
    assert full_workdays(counts).all()
    np.testing.assert_allclose(monthly_counts(counts), 22 * 40)


def test_days_are_judged_by_earlier_ones_only():
    counts, _ = year(90, 3)
    whole, part = monthly_counts(counts), monthly_counts(counts[:150])
    np.testing.assert_array_equal(whole[:150], part)


def test_a_crew_that_shrinks_or_grows_is_followed_within_a_month():
    counts = np.r_[np.full(60, 100), np.full(60, 20), np.full(60, 100)]
    monthly = monthly_counts(counts)
    assert monthly[[59, 119, 179]] == pytest.approx([2200, 440, 2200])
    # for half a month the smaller days are taken as light ones; nothing is ever divided by 0
    assert np.isfinite(monthly).all()


def test_days_of_records_and_none():
    day = pd.Series(["2026-01-05"] * 30 + ["2026-01-10"] * 2 + ["2026-01-06"] * 28)
    assert list(workdays_of(day)) == ["2026-01-05", "2026-01-06"]
    assert len(workdays_of(day[:0])) == 0
    assert len(monthly_counts(np.array([], dtype=np.int64))) == 0
