"""CUSUMs of counts: agreement with simulation, monotony, limits, refusals."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arcdrift.charts.count_cusum import count_cusum_arl, count_cusum_limit, reference_count
from arcdrift.errors import BadInput

quick = settings(max_examples=12, deadline=None, derandomize=True)


@pytest.mark.parametrize(("size", "rate", "risen"), [(40, 0.02, 1.0), (None, 0.8, 1.5)])
def test_the_average_is_that_of_simulated_charts(size, rate, risen):
    rng = np.random.default_rng(51)
    k, h, shape = reference_count(rate * (size or 1)), 3.0, (1000, 3000)
    if size is None:
        x = rng.poisson(risen * rate, shape)
    else:
        x = rng.binomial(size, risen * rate, shape)
    total = np.zeros(shape[1])
    runs = np.zeros(shape[1])
    for day in range(shape[0]):
        total = np.maximum(0.0, total + x[day] - k)
        runs = np.where((runs == 0) & (total > h), day + 1, runs)
    assert (runs > 0).all()
    expected = count_cusum_arl(k, h, risen * rate, size=size)
    # the lattice itself is good to 1 %
    slack = 4 * runs.std() / math.sqrt(len(runs)) + 0.01 * expected
    assert abs(runs.mean() - expected) < slack


@quick
@given(st.floats(0.02, 3.0), st.floats(0.2, 6.0), st.floats(0.1, 1.0))
def test_a_wider_limit_a_smaller_rate_and_no_head_start_never_alarm_sooner(rate, h, more):
    k = reference_count(rate)
    arl = count_cusum_arl(k, h, rate)
    assert count_cusum_arl(k, h + more, rate) >= arl * 0.98
    assert count_cusum_arl(k, h, rate * 1.5) <= arl
    assert count_cusum_arl(k, h, rate, head_start=h / 2) <= arl * 1.001
    assert arl >= 1.0


@quick
@given(st.floats(0.02, 2.0), st.floats(50.0, 5000.0))
def test_the_limit_gives_back_its_run_length(rate, arl0):
    k = reference_count(rate)
    h = count_cusum_limit(k, arl0, rate)
    assert count_cusum_arl(k, h, rate) == pytest.approx(arl0, rel=0.1)


def test_few_items_are_poisson_counts_of_the_same_mean():
    k = reference_count(0.5)
    many = count_cusum_arl(k, 4.0, 0.5 / 20_000, size=20_000)
    assert many == pytest.approx(count_cusum_arl(k, 4.0, 0.5), rel=1e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: reference_count(1.0, 1.0), "more than 1 times the usual one"),
        (lambda: count_cusum_arl(0.0, 3.0, 0.5), "reference value must be a number above 0"),
        (lambda: count_cusum_arl(1.0, math.nan, 0.5), "decision interval must be a number"),
        (lambda: count_cusum_arl(1.0, 3.0, 0.0), "rate must be a number above 0"),
        (lambda: count_cusum_arl(1.0, 3.0, 1.5, size=10), "an item's chance is below 1"),
        (lambda: count_cusum_arl(1.0, 3.0, 0.5, head_start=4.0), "between 0 and 3, not at 4"),
        (lambda: count_cusum_limit(1.0, 500.0, 1.1), "alarm without a rise"),
        (lambda: count_cusum_limit(1.0, 1e9, 0.5), "rarer than can be computed"),
    ],
)
def test_impossible_charts_are_refused_in_words(call, message):
    with pytest.raises(BadInput, match=message):
        call()
