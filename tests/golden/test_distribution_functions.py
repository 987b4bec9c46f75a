"""Quantiles and intervals by scipy.special against scipy.stats and statsmodels."""

import numpy as np
import pytest
from scipy import stats
from scipy.special import fdtrc, fdtri, ndtr, stdtrit
from statsmodels.stats.rates import confint_poisson

from arcdrift.analysis.arc.indoor_checks import normal_density
from arcdrift.analysis.maintenance.electrode_replacements import welch_half_width
from arcdrift.analysis.people.signature_stats import poisson_interval
from arcdrift.charts.funnel import binomial_quantile, spread_limits

SAME = {"rtol": 1e-12, "atol": 0.0}
DF = np.array([1.0, 2.0, 5.5, 14.0, 90.0, 1e3, 1e5])


@pytest.mark.parametrize("p", [0.025, 0.5, 0.975, 0.995, 0.9999])
def test_quantiles_of_t_are_those_of_scipy_stats(p: float) -> None:
    np.testing.assert_allclose(stdtrit(DF, p), stats.t.ppf(p, DF), **SAME)


@pytest.mark.parametrize("other", [1.0, 7.0, 60.0])
def test_quantiles_and_tails_of_f_are_those_of_scipy_stats(other: float) -> None:
    for p in (0.025, 0.975):
        np.testing.assert_allclose(fdtri(DF, other, p), stats.f.ppf(p, DF, other), **SAME)
    for x in (0.2, 1.0, 4.0, 30.0):
        np.testing.assert_allclose(fdtrc(other, DF, x), stats.f.sf(x, other, DF), **SAME)


def test_the_upper_normal_tail_is_that_of_scipy_stats() -> None:
    z = np.linspace(-6.0, 30.0, 200)
    np.testing.assert_allclose(ndtr(-z), stats.norm.sf(z), **SAME)


def test_normal_densities_are_those_of_scipy_stats() -> None:
    for x in (-4.0, 0.3, 21.0):
        assert normal_density(x, 2.0, 1.7) == pytest.approx(stats.norm.pdf(x, 2.0, 1.7), rel=1e-12)


@pytest.mark.parametrize("share", [1e-4, 0.02, 0.3, 0.97])
@pytest.mark.parametrize("p", [0.0005, 0.025, 0.5, 0.975, 0.9995])
def test_binomial_quantiles_are_those_of_scipy_stats(share: float, p: float) -> None:
    n = np.arange(1.0, 3000.0)
    np.testing.assert_array_equal(binomial_quantile(p, n, share), stats.binom.ppf(p, n, share))


@pytest.mark.parametrize("level", [0.95, 0.999])
def test_limits_of_a_spread_are_those_of_scipy_stats(level: float) -> None:
    low, high = spread_limits(DF, 0.02, level)
    tail = (1.0 - level) / 2.0
    np.testing.assert_allclose(low, 0.02 * np.sqrt(stats.chi2.ppf(tail, DF) / DF), **SAME)
    np.testing.assert_allclose(high, 0.02 * np.sqrt(stats.chi2.ppf(1 - tail, DF) / DF), **SAME)


@pytest.mark.parametrize("level", [0.9, 0.95, 0.998])
def test_intervals_of_a_count_are_those_of_statsmodels(level: float) -> None:
    counts = np.array([0.0, 0.4, 1.0, 2.5, 7.0, 40.0, 900.0])
    expected = confint_poisson(counts, 1.0, method="exact-c", alpha=1.0 - level)
    np.testing.assert_allclose(poisson_interval(counts, level), expected, **SAME)


def test_the_interval_of_a_difference_is_that_of_welchs_test_in_scipy_stats() -> None:
    rng = np.random.default_rng(20260301)
    old, new = rng.normal(0, 1, 10), rng.normal(2, 3, 8)
    interval = stats.ttest_ind(new, old, equal_var=False).confidence_interval(0.95)
    half = (interval.high - interval.low) / 2
    assert welch_half_width(old, new) == pytest.approx(half, rel=1e-12)


def test_two_constant_sides_differ_by_exactly_what_they_show() -> None:
    assert welch_half_width(np.ones(8), np.full(9, 3.0)) == 0.0
