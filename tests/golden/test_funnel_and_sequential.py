"""Funnel limits and sequential tests against exact sums and published plans."""

from fractions import Fraction
from math import comb, log

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from arcdrift.charts.funnel import binomial_limits, overdispersion, spread_limits
from arcdrift.charts.sequential import SequentialTest, outcome_probabilities

# -- funnel --------------------------------------------------------------------------------------


def exact_limit(n: int, share: Fraction, p: Fraction) -> float:
    """The interpolated limit in whole-number arithmetic, counted up from zero."""
    before = Fraction(0)
    for y in range(n + 1):
        here = comb(n, y) * share**y * (1 - share) ** (n - y)
        if before + here >= p:
            return float((y - (before + here - p) / here) / n)
        before += here
    raise AssertionError


@pytest.mark.parametrize("n", [5, 40, 333])
@pytest.mark.parametrize("share", [Fraction(1, 100), Fraction(1, 5)])
def test_binomial_limits_are_those_of_exact_sums(n, share):
    low, high = binomial_limits(n, float(share), 0.95)
    assert float(high) == pytest.approx(exact_limit(n, share, Fraction(39, 40)), abs=1e-9)
    assert float(low) == pytest.approx(max(exact_limit(n, share, Fraction(1, 40)), 0.0), abs=1e-9)


def test_limits_of_a_tiny_share_never_fall_below_none():
    low, high = binomial_limits([5, 50], 1e-5)
    assert (low >= 0).all()
    assert (high >= 0).all()


def test_counts_beyond_the_limits_are_those_an_exact_test_finds():
    """One-sided tests at 0.025 (scipy's binomtest) reject exactly the counts outside."""
    for n, share in ((40, 0.05), (400, 0.05), (4000, 0.01)):
        low, high = binomial_limits(n, share, 0.95)
        counts = range(int(n * share * 3) + 8)
        for count in counts:
            above = binomtest(count, n, share, alternative="greater").pvalue
            if above < 0.025:
                assert count / n > high
            if count / n > high + 1 / n:
                assert above < 0.025
            if count / n < low - 1 / n:
                assert binomtest(count, n, share, alternative="less").pvalue < 0.025


def test_spread_limits_are_the_tabled_chi_square():
    """chi2 with 10 degrees: 3.247 and 20.483 at 0.025 and 0.975 (any handbook table)."""
    low, high = spread_limits(10, 2.0)
    assert float(low) == pytest.approx(2 * np.sqrt(0.3247), rel=2e-4)
    assert float(high) == pytest.approx(2 * np.sqrt(2.0483), rel=2e-4)


def test_shares_that_vary_by_chance_only_are_not_overdispersed():
    rng = np.random.default_rng(4)
    n = np.full(400, 500.0)
    assert overdispersion(rng.binomial(500, 0.05, 400), n, 0.05) == pytest.approx(1.0, abs=0.15)
    shares = np.clip(0.05 + 0.02 * rng.standard_normal(400), 0.001, 1)
    # variance 0.0004 beside 0.05 x 0.95 / 500 = 0.000095, the outer tenths moved in
    assert overdispersion(rng.binomial(500, shares), n, 0.05) > 3


# -- sequential ----------------------------------------------------------------------------------


def test_the_published_plan_of_nist():
    """NIST/SEMATECH e-Handbook 6.2.6.5 (from memory): p1 .01, p2 .10, alpha .05, beta .10.

    Acceptance line -0.939 + 0.0397 n, rejection line 1.205 + 0.0397 n; the first acceptance
    with no bad item is at n = 24, rejection at 2 bad ones from n = 2 on.
    """
    test = SequentialTest(0.01, 0.10, 0.05, 0.10)
    slope, low, high = test.lines
    assert slope == pytest.approx(0.0397, abs=5e-5)
    assert low == pytest.approx(0.939, abs=5e-4)
    assert high == pytest.approx(1.205, abs=5e-4)
    assert test.answer([False] * 60) == ("good", 24)
    assert test.answer([True, True]) == ("poor", 2)
    assert test.answer([True, False] * 3) == ("poor", 3)


def test_the_lines_of_wald():
    """Wald 1947, 5.3 (example from memory): .1 against .3, alpha .02, beta .03."""
    slope, low, high = SequentialTest(0.1, 0.3, 0.02, 0.03).lines
    g = log(0.3 / 0.1) - log(0.7 / 0.9)
    assert slope == pytest.approx(log(0.9 / 0.7) / g)
    assert (slope, low, high) == pytest.approx((0.1862, 2.583, 2.875), abs=1e-3)


def counted_out(good, poor, alpha, beta, share, most):
    """The same recursion in whole numbers and plain dictionaries, written independently."""
    step = log((1 - poor) / (1 - good))
    jump = log(poor / good)
    accept, reject = log(beta / (1 - alpha)), log((1 - beta) / alpha)
    alive = {0: Fraction(1)}
    ends = {"good": Fraction(0), "poor": Fraction(0)}
    items = Fraction(0)
    for number in range(1, most + 1):
        items += sum(alive.values())
        following: dict[int, Fraction] = {}
        for bad, chance in alive.items():
            for more, part in ((0, 1 - share), (1, share)):
                count = bad + more
                ratio = count * jump + (number - count) * step
                if ratio <= accept + 1e-12:
                    ends["good"] += chance * part
                elif ratio >= reject - 1e-12:
                    ends["poor"] += chance * part
                else:
                    following[count] = following.get(count, Fraction(0)) + chance * part
        alive = following
    return float(ends["good"]), float(ends["poor"]), float(sum(alive.values())), float(items)


@pytest.mark.parametrize("share", [Fraction(1, 20), Fraction(1, 10), Fraction(3, 10)])
def test_the_course_is_that_of_an_exact_recursion_on_likelihood_ratios(share):
    found = outcome_probabilities(SequentialTest(0.1, 0.3, 0.02, 0.03, max_items=60), float(share))
    want = counted_out(0.1, 0.3, 0.02, 0.03, share, 60)
    assert (found.good, found.poor, found.open, found.items) == pytest.approx(want, abs=1e-9)


@pytest.mark.parametrize(
    ("good", "poor", "alpha", "beta"), [(0.1, 0.3, 0.02, 0.03), (0.02, 0.1, 0.05, 0.05)]
)
def test_error_rates_keep_to_what_wald_promises(good, poor, alpha, beta):
    """alpha' <= alpha/(1-beta), beta' <= beta/(1-alpha) and alpha' + beta' <= alpha + beta."""
    test = SequentialTest(good, poor, alpha, beta, max_items=3000)
    turned, passed = outcome_probabilities(test, good).poor, outcome_probabilities(test, poor).good
    assert turned <= alpha / (1 - beta)
    assert passed <= beta / (1 - alpha)
    assert turned + passed <= alpha + beta


def test_expected_items_against_walds_formula():
    """Wald's approximation of the expected number, which ignores the overshoot (a few percent)."""
    test = SequentialTest(0.1, 0.3, 0.02, 0.03, max_items=2000)
    for share in (0.1, 0.3):
        here = outcome_probabilities(test, share)
        drift = share * log(3) + (1 - share) * log(0.7 / 0.9)
        wald = (here.good * log(0.03 / 0.98) + here.poor * log(0.97 / 0.02)) / drift
        assert here.items == pytest.approx(wald, rel=0.25)
        assert here.items > wald  # overshoot only ever lengthens it


def test_simulated_series_agree_with_the_course():
    test = SequentialTest(0.02, 0.1, 0.05, 0.05, max_items=400)
    rng = np.random.default_rng(6)
    answers = [test.answer(rng.random(400) < 0.05) for _ in range(600)]
    here = outcome_probabilities(test, 0.05)
    good = np.mean([answer == "good" for answer, _ in answers])
    half = norm.ppf(0.9995) * np.sqrt(here.good * (1 - here.good) / 600)
    assert abs(good - here.good) < half
    assert np.mean([items for _, items in answers]) == pytest.approx(here.items, rel=0.15)


def test_what_is_still_to_come_counts_from_where_the_test_stands():
    test = SequentialTest(0.02, 0.1, 0.05, 0.05)
    whole, after = (
        outcome_probabilities(test, 0.02),
        outcome_probabilities(test, 0.02, bad=0, items=20),
    )
    assert after.items < whole.items
    with pytest.raises(ValueError, match="good < poor"):
        SequentialTest(0.3, 0.1)
