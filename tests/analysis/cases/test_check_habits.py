"""Habits of missed and late checks: seldom told of a crew without any, soon of a real one."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from arcdrift.analysis.cases.check_habits import CHANCE, check_habits


def crew(
    seed: int,
    rate: float,
    *,
    splicers: int = 30,
    days: int = 250,
    skips: tuple[int, int, float] = (0, 0, 0.0),
) -> pd.DataFrame:
    """Days of a crew that is late by chance; the first splicer skips checks from day to day."""
    rng = np.random.default_rng(seed)
    late = rng.random((splicers, days)) < rate
    first, last, share = skips
    late[0, first:last] |= rng.random(last - first) < share
    day = pd.bdate_range("2025-01-06", periods=days)
    return pd.DataFrame(
        {
            "splicer": np.repeat([f"S{n:02}" for n in range(splicers)], days),
            "day": np.tile(day, splicers),
            "status": np.where(late.ravel(), "late", "checked"),
            "day_over": True,
            "first_splice_at": np.tile((day + pd.Timedelta(hours=8)).tz_localize("UTC"), splicers),
        }
    )


@pytest.mark.parametrize("rate", [0.02, 0.06, 0.3])
def test_a_crew_year_without_habits_has_about_one(rate: float) -> None:
    """Simulation with known truth: 8 crew-years of 30 splicers."""
    told = [len(check_habits(crew(seed, rate))) for seed in range(8)]
    assert np.mean(told) <= 2.0


def test_a_fortnight_of_skipping_is_found_while_it_lasts() -> None:
    found_in = []
    began = pd.bdate_range("2025-01-06", periods=120)[60].tz_localize("UTC")
    for seed in range(20):
        habits = check_habits(crew(seed, 0.05, splicers=8, days=120, skips=(60, 70, 0.8)))
        near = [habit for habit in habits if habit.splicer == "S00" and habit.until >= began]
        found_in += [np.busday_count(began.date(), habit.seen.date()) for habit in near[:1]]
    assert len(found_in) >= 19
    assert np.median(found_in) <= 6


def test_the_rate_its_interval_and_the_usual_one_are_told() -> None:
    days = crew(1, 0.0, splicers=4, days=60)
    own = days.index[days["splicer"] == "S00"]
    days.loc[own[[40, 42, 44, 46, 48]], "status"] = "missed"
    (habit,) = check_habits(days)
    assert (habit.bad, habit.days) == (5, 9)
    # Wilson's interval for 5 of 9, from the closed form in Brown, Cai and DasGupta (2001)
    p, n, z = 5 / 9, 9, 1.959964
    middle, half = (p + z**2 / (2 * n)), z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    assert habit.low == pytest.approx((middle - half) / (1 + z**2 / n), abs=1e-4)
    assert habit.high == pytest.approx((middle + half) / (1 + z**2 / n), abs=1e-4)
    assert habit.usual == 0.0


def test_a_habit_ends_and_only_the_past_counts() -> None:
    days = crew(1, 0.05, splicers=6, days=120, skips=(60, 70, 1.0))
    (habit,) = (h for h in check_habits(days) if h.splicer == "S00")
    assert habit.ended
    cut = days[days["day"] < habit.seen.tz_localize(None) + pd.Timedelta(days=1)]
    (then,) = (h for h in check_habits(cut) if h.splicer == "S00")
    assert not then.ended
    assert (then.seen, then.usual) == (habit.seen, habit.usual)
    before = days[days["day"] < habit.seen.tz_localize(None).normalize()]
    assert not [h for h in check_habits(before) if h.splicer == "S00"]


def test_a_crew_that_is_always_late_has_no_habit_by_one_of_them() -> None:
    """What is usual in the crew is no case of one splicer; the share of checks tells of it."""
    assert check_habits(crew(3, 0.6, splicers=5, days=80)) == []


def test_a_splicer_alone_is_compared_with_its_own_past() -> None:
    days = crew(2, 0.03, splicers=1, days=120, skips=(80, 90, 0.9))
    (habit,) = check_habits(days)
    assert days["first_splice_at"][78] <= habit.since <= days["first_splice_at"][82]
    assert days["first_splice_at"][87] <= habit.until <= days["first_splice_at"][92]


def test_few_late_days_are_no_habit_even_where_nobody_else_is_late() -> None:
    days = crew(1, 0.0, splicers=4, days=60)
    days.loc[[30, 40], "status"] = "late"
    assert check_habits(days) == []
    assert check_habits(days.iloc[:0]) == []


def test_the_chance_of_a_window_is_that_of_the_binomial_law() -> None:
    """5 of 10 at 5 % is rarer than once in a thousand, 3 of 10 is not (scipy.stats.binom)."""
    assert binom.sf(4, 10, 0.05) < CHANCE < binom.sf(2, 10, 0.05)
    for count, told in ((3, False), (5, True)):
        days = crew(1, 0.0, splicers=20, days=100)
        rest = days.index[days["splicer"] != "S00"]
        days.loc[rest[::20], "status"] = "late"
        own = days.index[days["splicer"] == "S00"]
        days.loc[own[80 : 80 + 2 * count : 2], "status"] = "late"
        assert bool(check_habits(days)) == told
