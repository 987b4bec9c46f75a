"""The CUSUM of a share of bad items: false alarms, delay, use of the past only, and its prior.

The crew of the simulation follows the study the design was chosen with: losses gamma with a mean
of 0.02 to 0.05 dB and shape 0.7 to 2, lognormal day effects of 5 to 15 %, 0.5 to 2 % of dirty
splices log-uniform from 0.2 to 1 dB, 20 to 90 splices a day; a splice counts above
max(0.10 dB, 6 x mean). Counts are drawn from the chance that follows.
"""

import math

import numpy as np
import pytest
from scipy.special import gammaincc
from scipy.stats import nbinom

from arcdrift.charts.binomial_cusum import (
    LEARNING_DAYS,
    MOST_LEARNING,
    WEIGHT,
    beta_prior,
    binomial_cusum_limit,
    binomial_cusums,
)
from arcdrift.errors import BadInput
from tests.charts.poisson_cusum_chain import log_likelihood_limits

YEAR_DAYS = 264


def crew(seed, days, series, *, pace=(20, 90), risen_from=None, factor=3.0, idle=0.0):
    rng = np.random.default_rng(seed)
    mean, shape = rng.uniform(0.02, 0.05, series), rng.uniform(0.7, 2.0, series)
    day_sd, share = rng.uniform(0.05, 0.15, series), rng.uniform(0.005, 0.02, series)
    level = mean * np.exp(day_sd * rng.standard_normal((days, series)))
    n = rng.poisson(rng.uniform(*pace, series) * rng.gamma(6.0, 1.0 / 6.0, (days, series)))
    n = np.where(rng.random(n.shape) < idle, 0, np.clip(n, 1, 150))
    line = np.maximum(0.10, 6.0 * mean)
    dirty = np.broadcast_to(share, (days, series)).copy()
    if risen_from is not None:
        dirty[risen_from:] *= factor
    seen = np.clip(np.log(1.0 / np.maximum(line, 0.2)) / math.log(5.0), 0.0, 1.0)
    ordinary = gammaincc(shape, shape * line / level)
    return rng.binomial(n, dirty * seen + (1.0 - dirty) * ordinary), n


def realized(bad, n, arl0, days=slice(None)):
    """False alarms for each one that was allowed."""
    signal = binomial_cusums(bad, n, arl0).signal[days]
    return signal.sum() * arl0 / (n[days] > 0).sum()


def test_a_year_brings_the_false_alarms_that_were_allowed():
    # Measured here 0.86.
    bad, n = crew(1, 324, 1200)
    assert 0.6 < realized(bad, n, YEAR_DAYS) < 1.1
    # fewer in the first two months, as nothing counts while a series is learning
    assert 0.4 < realized(bad, n, YEAR_DAYS, slice(0, 44)) < 1.2


@pytest.mark.parametrize(
    ("arl0", "options"),
    [
        (550.0, {}),
        pytest.param(3300.0, {}, marks=pytest.mark.long),
        (YEAR_DAYS, {"pace": (3, 6)}),
        pytest.param(YEAR_DAYS, {"idle": 0.5}, marks=pytest.mark.long),
    ],
)
def test_other_budgets_and_paces_stay_inside_theirs(arl0, options):
    bad, n = crew(5, 324, 1000, **options)
    assert 0.5 < realized(bad, n, arl0) < 1.15


def test_small_crews_stay_inside_their_budget():
    crews = [crew(100 + seed, 324, 6) for seed in range(30)]
    alarms = sum(binomial_cusums(bad, n, YEAR_DAYS).signal.sum() for bad, n in crews)
    allowed = 30 * 6 * 324 / YEAR_DAYS
    assert 0.6 < alarms / allowed < 1.3


@pytest.mark.parametrize(("history", "missed"), [(15, 0.35), (70, 0.12)])
def test_a_tripled_rate_is_found_in_about_eight_days(history, missed):
    # The study found it in 8 days (19 % later than a month) with 5 days of baseline, and in 7
    # (9 %) with 60; measured here 9 (30 %) and 6 (7 %).
    bad, n = crew(2, history + 60, 1000, risen_from=history)
    signal = binomial_cusums(bad, n, YEAR_DAYS).signal[history:]
    delay = np.where(signal.any(axis=0), signal.argmax(axis=0) + 1, 10_000)
    assert np.median(delay) <= (9 if history == 15 else 7)
    assert (delay > 22).mean() < missed


def test_the_onset_of_a_large_rise_is_near_its_truth():
    bad, n = crew(3, 100, 400, risen_from=70, factor=8.0)
    result = binomial_cusums(bad, n, YEAR_DAYS)
    day, series = np.nonzero(result.signal)
    first = [np.flatnonzero((series == s) & (day >= 70)) for s in range(400)]
    found = np.array([result.onset[day[f[0]], s] for s, f in enumerate(first) if len(f)])
    assert len(found) > 390
    assert abs(np.median(found) - 70) <= 1
    assert (np.abs(found - 70) <= 5).mean() > 0.8


def test_only_the_past_is_used():
    bad, n = crew(4, 60, 20)
    whole = binomial_cusums(bad, n, YEAR_DAYS)
    cut = binomial_cusums(bad[:40], n[:40], YEAR_DAYS)
    for name in ("value", "limit", "rate", "dispersion", "signal", "onset"):
        np.testing.assert_array_equal(getattr(whole, name)[:40], getattr(cut, name))
    other = bad.copy()
    other[40] = n[40]
    changed = binomial_cusums(other, n, YEAR_DAYS)
    np.testing.assert_array_equal(whole.rate[:41], changed.rate[:41])
    np.testing.assert_array_equal(whole.dispersion[:41], changed.dispersion[:41])
    np.testing.assert_array_equal(whole.limit[:41], changed.limit[:41])
    assert changed.signal[40].all()


def test_the_chart_follows_the_plain_recursion():
    bad, n = crew(6, 80, 5, idle=0.2)
    bad[::3] = np.minimum(3 * bad[::3], n[::3])  # days that differ
    result = binomial_cusums(bad, n, 60.0)
    assert result.signal.any()
    assert result.dispersion[-1].min() > 1.2
    for series in range(5):
        total, worked, started = 0.0, 0, False
        for day in range(80):
            if n[day, series] == 0:
                assert np.isnan(result.value[day, series])
                assert not result.signal[day, series]
                continue
            phi = result.dispersion[day, series]
            past = day if day < 40 else max(40, day - 10)  # the latest ten days are left out
            a, b = beta_prior(bad[:past].sum(axis=0), n[:past].sum(axis=0))
            x, items = bad[:past, series].sum(), n[:past, series].sum()
            p = (a + x) / (a + b + items)
            # ratio of the negative binomial laws of twice the mean and of the mean m, both of the
            # size k that gives the variance phi m
            mean = n[day, series] * p
            size = mean / (phi - 1.0)
            doubled, as_usual = (
                nbinom(size, size / (size + factor * mean)).logpmf(bad[day, series])
                for factor in (2.0, 1.0)
            )
            worked += 1
            usual = n[: day + 1, series].sum() / worked * p
            effective = usual / phi
            learned = worked > LEARNING_DAYS * min(max(effective, 1.0), MOST_LEARNING)
            started = started or learned
            total = max(0.0, total + doubled - as_usual) if started else 0.0
            alarm = learned and total > binomial_cusum_limit(effective, 60.0)
            assert result.value[day, series] == pytest.approx(total, abs=1e-6)
            assert result.signal[day, series] == alarm
            total = 0.0 if alarm else total


def test_the_prior_finds_the_spread_of_a_large_crew():
    rng = np.random.default_rng(7)
    n = rng.integers(500, 4000, 4000)
    a, b = beta_prior(rng.binomial(n, rng.beta(8.0, 400.0, 4000)), n)
    assert a == pytest.approx(8.0, rel=0.1)
    assert a / (a + b) == pytest.approx(8.0 / 408.0, rel=0.02)


def test_the_prior_of_no_data_and_of_equal_series():
    assert beta_prior([], []) == pytest.approx((1.0, 1.0 / 0.015 - 1.0))
    assert beta_prior([0, 0], [0, 0]) == beta_prior([], [])
    assert beta_prior([30, 30, 30], [2000, 2000, 2000])[0] == WEIGHT[1]
    a, b = beta_prior([0, 0, 0], [500, 500, 500])
    assert 0.0 < a / (a + b) < 0.001


def test_impossible_tables_are_refused_in_words():
    with pytest.raises(BadInput, match="tables of days by series"):
        binomial_cusums([1, 2], [3, 4], 264.0)
    with pytest.raises(BadInput, match="between 0 and its items"):
        binomial_cusums([[3]], [[2]], 264.0)
    with pytest.raises(BadInput, match="allow more or fewer"):
        binomial_cusums([[1]], [[2]], 1e12)


@pytest.mark.parametrize("arl0", [550.0, 7_300.0, 250_000.0])
def test_tabled_limits_are_those_of_the_chain(arl0):
    # run lengths grow about e-fold with each 1 of the limit: 0.06 is 6 % of a run length. Of many
    # bad items a day a step spans many positions, and the chain's own limits are rougher.
    for counts, apart in (([0.02, 0.4, 1.7, 4.0], 0.07), ([9.0, 15.0, 30.0], 0.3)):
        tabled, exact = binomial_cusum_limit(counts, arl0), log_likelihood_limits(arl0, counts)
        np.testing.assert_allclose(tabled, exact, atol=apart)


@pytest.mark.parametrize("share", [0.004, 0.07, 0.2])
def test_a_new_crew_raises_no_alarm_by_its_usual_share(share: float) -> None:
    """60 new crews of six streams, whatever share is usual with them, in their first 30 days.

    At a run length of 1,000 days 60 x 6 x 30 / 1,000 = 10.8 false alarms are meant; a crew whose
    first days counted against a rate that is usual elsewhere had several times as many.
    """
    rng = np.random.default_rng(4)
    alarms = 0
    for _ in range(60):
        items = rng.integers(20, 60, (30, 6))
        charts = binomial_cusums(rng.binomial(items, share), items, 1000.0)
        alarms += int(charts.signal.sum())
        assert (charts.value[:5] == 0.0).all()
    assert alarms <= 16
