"""Run lengths: laws that hold for every chart, and agreement with simulation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import geom, norm

from arcdrift.charts.cusum import cusum
from arcdrift.charts.ewma import ewma_with_resets
from arcdrift.charts.run_length import cusum_arl, ewma_arl, ewma_quantile
from arcdrift.errors import BadInput

weights = st.floats(0.05, 1.0)
limits = st.floats(0.5, 4.0)
shifts = st.floats(-3.0, 3.0)
sides = st.sampled_from(["one", "two"])
quick = settings(max_examples=40, deadline=None, derandomize=True)


@quick
@given(weights, limits, st.floats(0.01, 1.0), shifts, sides)
def test_a_wider_ewma_limit_never_alarms_sooner(lam, limit, more, shift, sided):
    narrow = ewma_arl(lam, limit, shift, sided=sided)
    assert ewma_arl(lam, limit + more, shift, sided=sided) >= narrow * (1 - 1e-7)
    assert narrow >= 1.0


@quick
@given(weights, limits, shifts)
def test_two_sided_charts_treat_both_directions_alike(lam, limit, shift):
    up, down = ewma_arl(lam, limit, shift), ewma_arl(lam, limit, -shift)
    assert up == pytest.approx(down, rel=1e-8)


@quick
@given(st.floats(0.0, 1.5), st.floats(0.5, 6.0), st.floats(0.01, 1.0), st.floats(-1.0, 3.0))
def test_a_wider_cusum_never_alarms_sooner(k, h, more, shift):
    narrow = cusum_arl(k, h, shift, sided="one")
    assert cusum_arl(k, h + more, shift, sided="one") >= narrow * (1 - 1e-7)
    assert cusum_arl(k, h, shift, sided="one", head_start=h / 2) <= narrow * (1 + 1e-7)


@quick
@given(st.floats(1.0, 3.5), st.floats(-1.0, 3.0))
def test_weight_one_is_the_individuals_chart(limit, shift):
    above, below = norm.sf(limit - shift), norm.cdf(-limit - shift)
    assert ewma_arl(1.0, limit, shift) == pytest.approx(1 / (above + below), rel=1e-7)
    assert ewma_arl(1.0, limit, shift, sided="one") == pytest.approx(1 / above, rel=1e-7)
    for probability in (0.1, 0.5, 0.9):
        for running in (False, True):
            steps = ewma_quantile(
                1.0, limit, shift, probability=probability, sided="one", running=running
            )
            assert steps == geom.ppf(probability, above)


def test_long_runs_keep_their_digits_or_are_infinite():
    assert ewma_arl(1.0, 8.0, sided="one") == pytest.approx(1 / norm.sf(8.0), rel=1e-9)
    assert ewma_arl(1.0, 9.0) == math.inf
    # Each step of the decision interval multiplies a long run by exp(2 k) (Siegmund 1985).
    ratio = cusum_arl(1.0, 31.0, sided="one") / cusum_arl(1.0, 30.0, sided="one")
    assert ratio == pytest.approx(math.exp(2.0), rel=1e-6)
    # The lower sum never alarms under a large upward shift, so both sides run like the upper.
    for shift in (-4.0, 4.0):
        assert cusum_arl(1.0, 20.0, shift) == cusum_arl(1.0, 20.0, 4.0, sided="one")


def first_alarms(signal: np.ndarray) -> np.ndarray:
    """Run length of each chart (column); every chart must have alarmed."""
    assert (signal != 0).any(axis=0).all()
    return (signal != 0).argmax(axis=0) + 1


@pytest.mark.parametrize(
    ("lam", "limit", "shift", "sided"),
    [(0.2, 1.9, 0.0, "one"), (0.2, 2.567, 0.75, "one"), (0.1, 2.0, 0.0, "two")],
)
def test_average_and_median_agree_with_simulated_ewma_charts(lam, limit, shift, sided):
    z = np.random.default_rng(20).standard_normal((1500, 4000)) + shift
    runs = first_alarms(ewma_with_resets(z, lam, limit, sided=sided).signal)
    error = runs.std() / math.sqrt(len(runs))
    assert abs(runs.mean() - ewma_arl(lam, limit, shift, sided=sided)) < 4 * error
    for probability in (0.5, 0.9):
        steps = ewma_quantile(lam, limit, shift, probability=probability, sided=sided)
        slack = 4 * math.sqrt(probability * (1 - probability) / len(runs))
        assert (runs <= steps).mean() > probability - slack
        assert (runs < steps).mean() < probability + slack


def test_median_from_a_running_chart_agrees_with_simulation():
    lam, limit, shift, quiet = 0.2, 2.2, 0.8, 60
    z = np.random.default_rng(21).standard_normal((quiet + 150, 8000))
    z[quiet:] += shift
    signal = ewma_with_resets(z, lam, limit, sided="one").signal
    runs = first_alarms(signal[quiet:, ~signal[:quiet].any(axis=0)])
    assert len(runs) > 3000
    for probability in (0.25, 0.5, 0.9):
        steps = ewma_quantile(lam, limit, shift, probability=probability, sided="one", running=True)
        slack = 4 * math.sqrt(probability * (1 - probability) / len(runs))
        assert (runs <= steps).mean() > probability - slack
        assert (runs < steps).mean() < probability + slack


def test_opening_limits_agree_with_simulation():
    lam, limit, n = 0.1, 1.8, 4000
    rng = np.random.default_rng(22)
    spread = np.sqrt(1 - (1 - lam) ** (2.0 * np.arange(1, 1201)))
    for sided in ("one", "two"):
        z = rng.standard_normal((1200, n))
        signal = ewma_with_resets(z, lam, (limit * spread)[:, None], sided=sided).signal
        runs = first_alarms(signal)
        expected = ewma_arl(lam, limit, sided=sided, varying=True)
        assert abs(runs.mean() - expected) < 4 * runs.std() / math.sqrt(n)


def test_average_agrees_with_simulated_cusum_charts():
    rng = np.random.default_rng(23)
    runs = np.array(
        [cusum(rng.standard_normal(900), 0.5, 2.5, head_start=1.0).signal.index + 1
         for _ in range(1500)]
    )  # fmt: skip
    expected = cusum_arl(0.5, 2.5, head_start=1.0)
    assert abs(runs.mean() - expected) < 4 * runs.std() / math.sqrt(len(runs))


def test_a_one_sided_head_start_shortens_the_first_run():
    plain = ewma_arl(0.2, 2.9, 1.0, sided="one")
    assert ewma_arl(0.2, 2.9, 1.0, sided="one", head_start=1.45) < plain


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: ewma_arl(0.0, 3.0), "EWMA weight must be above 0 and at most 1, not 0"),
        (lambda: ewma_arl(0.2, math.nan), "EWMA limit must be a number of at least 0, not nan"),
        (lambda: ewma_arl(0.2, 3.0, sided="both"), "say 'one' or 'two', not 'both'"),
        (lambda: ewma_arl(0.2, 3.0, head_start=3.0), "between 0 and the limit, not at 3"),
        (lambda: ewma_quantile(0.2, 3.0, probability=1.0), "between 0 and 1, not at 1"),
        (lambda: cusum_arl(-0.1, 4.0), "reference value must be a number of at least 0"),
        (lambda: cusum_arl(0.5, math.inf), "decision interval must be a number of at least 0"),
        (lambda: cusum_arl(0.5, 4.0, head_start=5.0), "between 0 and 4, not at 5"),
    ],
)
def test_impossible_charts_are_refused_in_words(call, message):
    with pytest.raises(BadInput, match=message):
        call()
