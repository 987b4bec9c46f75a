"""Run lengths: laws that hold for every chart, and agreement with simulation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from arcdrift.charts.run_length import ewma_arl
from arcdrift.errors import BadInput
from tests.charts.ewma_runs import run_ewma

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
@given(st.floats(1.0, 3.5), st.floats(-1.0, 3.0))
def test_weight_one_is_the_individuals_chart(limit, shift):
    above, below = norm.sf(limit - shift), norm.cdf(-limit - shift)
    assert ewma_arl(1.0, limit, shift) == pytest.approx(1 / (above + below), rel=1e-7)
    assert ewma_arl(1.0, limit, shift, sided="one") == pytest.approx(1 / above, rel=1e-7)


def test_long_runs_keep_their_digits_or_are_infinite():
    assert ewma_arl(1.0, 8.0, sided="one") == pytest.approx(1 / norm.sf(8.0), rel=1e-9)
    assert ewma_arl(1.0, 9.0) == math.inf


def first_alarms(signal: np.ndarray) -> np.ndarray:
    """Run length of each chart (column); every chart must have alarmed."""
    assert (signal != 0).any(axis=0).all()
    return (signal != 0).argmax(axis=0) + 1


@pytest.mark.parametrize(
    ("lam", "limit", "shift", "sided"),
    [
        pytest.param(0.2, 1.9, 0.0, "one", marks=pytest.mark.long),
        (0.2, 2.567, 0.75, "one"),
        (0.1, 2.0, 0.0, "two"),
    ],
)
def test_the_average_agrees_with_simulated_ewma_charts(lam, limit, shift, sided):
    z = np.random.default_rng(20).standard_normal((1500, 4000)) + shift
    runs = first_alarms(run_ewma(z, lam, limit, sided=sided).signal)
    error = runs.std() / math.sqrt(len(runs))
    assert abs(runs.mean() - ewma_arl(lam, limit, shift, sided=sided)) < 4 * error


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: ewma_arl(0.0, 3.0), "EWMA weight must be above 0 and at most 1, not 0"),
        (lambda: ewma_arl(0.2, math.nan), "EWMA limit must be a number of at least 0, not nan"),
        (lambda: ewma_arl(0.2, 3.0, sided="both"), "say 'one' or 'two', not 'both'"),
    ],
)
def test_impossible_charts_are_refused_in_words(call, message):
    with pytest.raises(BadInput, match=message):
        call()
