"""Judging an action: sizes of samples against statsmodels, error rates by simulation."""

import numpy as np
import pytest
from statsmodels.stats.power import NormalIndPower
from statsmodels.stats.proportion import confint_proportions_2indep

from arcdrift.charts.recovery import (
    FEWEST_DAYS,
    MOST_DAYS,
    LevelsAroundAction,
    first_look,
    judge_recovery,
    latest_look,
    series_recovery,
    share_recovery,
)


@pytest.mark.parametrize("rise", [0.3, 0.4, 0.5, 0.8])
def test_days_of_the_first_look(rise):
    # statsmodels 0.14: sample of one mean (ratio=0) for power .9 at a two-sided level of .05
    days = NormalIndPower(ddof=0).solve_power(rise / 0.9, power=0.9, alpha=0.05, ratio=0)
    assert first_look(rise, 0.81) == pytest.approx(min(np.ceil(days), MOST_DAYS), abs=1)


def test_the_first_look_is_neither_at_once_nor_never():
    assert first_look(2.0, 0.01) == FEWEST_DAYS
    assert first_look(0.01, 1.0) == first_look(0.0, 1.0) == MOST_DAYS
    # what is known little before puts the look off, or is left aside where it would never come
    assert first_look(0.5, 0.2, 0.006) > first_look(0.5, 0.2)
    assert first_look(0.5, 0.2, 1.0) == first_look(0.5, 0.2)


def test_looks_double():
    assert [latest_look(6, days) for days in (5, 6, 11, 12, 23, 24, 100)] == [
        None, 6, 6, 12, 12, 24, 96,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("before", "after", "se", "verdict"),
    [
        (0.5, 0.0, 0.1, "cured"),
        (0.5, 0.25, 0.06, "better"),
        (0.5, 0.45, 0.1, "no-change"),
        (0.5, 0.9, 0.1, "worse"),
        (-0.5, 0.0, 0.1, "cured"),
        (-0.5, -0.9, 0.1, "worse"),
        (0.5, 0.1, 0.6, "no-change"),
    ],
)
def test_verdicts(before, after, se, verdict):
    levels = LevelsAroundAction(before, after, np.diag([se**2, se**2]) / 2.0)
    assert judge_recovery(levels) == verdict


def verdicts(left, rng, crews=500, rise=0.5, day_sd=0.3, days_before=8, passed=60):
    """Share of each verdict of crews whose rise falls to a share of itself after an action."""
    counts = {}
    for _ in range(crews):
        before = rise + rng.normal(0.0, day_sd / np.sqrt(days_before))
        variance = day_sd**2 / days_before
        first = first_look(before, day_sd**2, variance)
        days = rng.normal(rise * left, day_sd, passed)
        told, look = set(), first
        while look <= passed:
            covariance = np.diag([variance, day_sd**2 / look])
            told.add(judge_recovery(LevelsAroundAction(before, days[:look].mean(), covariance)))
            look *= 2
        for verdict in told:
            counts[verdict] = counts.get(verdict, 0) + 1 / crews
    return counts


def test_error_rates_over_all_looks():
    """Truth known: nothing changed, half is left, all is gone."""
    rng = np.random.default_rng(3)
    unchanged = verdicts(1.0, rng)
    # two-sided 5 % at up to four looks that share most of their data: 2.5 % to 5 % a side
    assert unchanged.get("better", 0) + unchanged.get("cured", 0) < 0.06
    assert unchanged.get("cured", 0) < 0.01
    assert verdicts(0.0, rng)["cured"] > 0.85
    half = verdicts(0.5, rng)
    assert half["better"] > 0.5
    assert half.get("worse", 0) < 0.01


def test_differences_of_shares():
    """Agresti and Caffo's interval as statsmodels computes it."""
    before, after = np.arange(24) < 10, np.arange(64) < 3
    found = share_recovery(before, after, usual=0.1)
    low, high = confint_proportions_2indep(
        3, found.days_after, 10, 24, method="agresti-caffo", compare="diff"
    )
    assert (found.difference_low, found.difference_high) == pytest.approx((low, high), abs=1e-6)
    assert found.verdict in ("cured", "better")


def test_a_habit_is_judged_when_enough_days_have_passed():
    before = np.arange(20) < 8
    found = share_recovery(before, np.zeros(4, bool), usual=0.05)
    assert found.verdict == "too-early"
    assert found.days_needed > 0
    enough = np.zeros(4 + found.days_needed, bool)
    assert share_recovery(before, enough, usual=0.05).verdict == "cured"
    assert share_recovery(before, enough | True, usual=0.05).verdict == "worse"


@pytest.mark.parametrize(("left", "verdict"), [(0.0, "cured"), (1.0, "no-change")])
def test_values_of_days(left, verdict):
    """Truth known: the share of 200 simulated series with the right verdict."""
    rng = np.random.default_rng(8)
    told = []
    for _ in range(200):
        before = 1.0 + rng.normal(0.0, 0.5, 10)
        after = left + rng.normal(0.0, 0.5, 40)
        told.append(series_recovery(before, after).verdict == verdict)
    assert np.mean(told) > 0.85


def test_coverage_of_the_difference():
    """Days without correlation: the widened interval holds the truth more often than 95 %."""
    rng = np.random.default_rng(9)
    held = []
    for _ in range(300):
        found = series_recovery(1.0 + rng.normal(0, 0.4, 12), 0.3 + rng.normal(0, 0.4, 24))
        held.append(found.difference_low < -0.7 < found.difference_high)
    assert 0.94 <= np.mean(held) <= 1.0
