"""EWMA paths and steppers: agreement with plain recursions, resets, and missing values."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.signal import lfilter

from arcdrift.charts.ewma import ewma_step, settled_limits
from arcdrift.errors import BadInput
from tests.charts.ewma_runs import plain_path, run_ewma

quick = settings(max_examples=60, deadline=None, derandomize=True)
values = st.floats(-5.0, 5.0)
weights = st.floats(0.02, 1.0)
NAN = float("nan")


@quick
@given(arrays(float, st.integers(1, 60), elements=values), weights, values)
def test_the_plain_path_is_the_first_order_filter_of_scipy(x, lam, start):
    expected = lfilter([lam], [1.0, lam - 1.0], x, zi=[(1 - lam) * start])[0]
    np.testing.assert_allclose(plain_path(x, lam, start=start), expected, atol=1e-9)


@quick
@given(
    arrays(float, st.integers(1, 40), elements=values),
    weights,
    st.lists(st.integers(0, 40), max_size=8),
)
def test_missing_values_change_nothing_but_themselves(x, lam, gaps):
    gaps = [min(gap, len(x)) for gap in gaps]
    holed = np.insert(x, gaps, NAN)
    seen = ~np.isnan(holed)
    np.testing.assert_allclose(plain_path(holed, lam)[seen], plain_path(x, lam), atol=1e-9)
    assert np.isnan(plain_path(holed, lam)[~seen]).all()
    for sided in ("one", "two"):
        with_gaps = run_ewma(holed, lam, 1.0, sided=sided)
        whole = run_ewma(x, lam, 1.0, sided=sided)
        np.testing.assert_array_equal(with_gaps.value[seen], whole.value)
        np.testing.assert_array_equal(with_gaps.signal[seen], whole.signal)
        assert not with_gaps.signal[~seen].any()
        assert np.isnan(with_gaps.value[~seen]).all()
        assert with_gaps.state == whole.state


@quick
@given(arrays(float, st.integers(1, 60), elements=values), weights, st.sampled_from(["one", "two"]))
def test_many_charts_at_once_are_single_charts(x, lam, sided):
    z = np.column_stack((x, -x, x + 1.0))
    limit = np.array([0.8, 1.5, 2.5])
    together = run_ewma(z, lam, limit, sided=sided)
    for j in range(3):
        line = limit[j] * np.sqrt(lam / (2 - lam))
        level = 0.0
        for i in range(len(z)):
            level = (1 - lam) * level + lam * z[i, j]
            if sided == "one":
                level = max(level, 0.0)
            assert together.value[i, j] == pytest.approx(level, abs=1e-12)
            side = int(level > line) - int(level < -line)
            assert together.signal[i, j] == side
            level = 0.0 if side else level
        assert together.state[j] == pytest.approx(level, abs=1e-12)


def test_a_run_can_be_continued_where_it_stopped():
    z = np.random.default_rng(5).standard_normal((80, 6))
    z[10:20, 2] = NAN
    whole = run_ewma(z, 0.2, 1.2, sided="two")
    first = run_ewma(z[:33], 0.2, 1.2, sided="two")
    rest = run_ewma(z[33:], 0.2, 1.2, sided="two", start=first.state)
    np.testing.assert_array_equal(np.concatenate((first.signal, rest.signal)), whole.signal)
    np.testing.assert_array_equal(rest.state, whole.state)
    step = ewma_step(first.state, z[33], 0.2, 1.2, sided="two")
    np.testing.assert_array_equal(step.value, whole.value[33])


def test_an_alarm_shows_its_height_and_starts_the_chart_again():
    run = run_ewma([4.0, 4.0, 4.0, -9.0], 0.5, 2.0, sided="two")
    # line: 2 sqrt(1/3) = 1.155; 2 alarms, then from 0 again 2, 2, and -4.5
    np.testing.assert_allclose(run.value, [2.0, 2.0, 2.0, -4.5])
    np.testing.assert_array_equal(run.signal, [1, 1, 1, -1])
    upper = run_ewma([-9.0, 1.0], 0.5, 2.0, sided="one")
    np.testing.assert_allclose(upper.value, [0.0, 0.5])
    np.testing.assert_array_equal(upper.signal, [0, 0])


def test_a_point_on_the_limit_is_inside_and_missing_points_never_signal():
    # weight 1 plots the values themselves, with limits at -3 and 3
    upper, lower, above, below = 3.0, -3.0, 3.1, -3.1
    run = run_ewma([NAN, upper, lower, NAN, above, below], 1.0, 3.0, sided="two")
    np.testing.assert_array_equal(run.signal, [0, 0, 0, 0, 1, -1])
    assert settled_limits(1.0, 3.0) == (-3.0, 3.0)


def test_inputs_are_left_as_they_were():
    z = np.array([[0.5, NAN], [3.0, 4.0]])
    before, state = z.copy(), np.zeros(2)
    plain_path(z, 0.2)
    run_ewma(z, 0.2, 1.0, sided="two", start=state)
    np.testing.assert_array_equal(z, before)
    np.testing.assert_array_equal(state, np.zeros(2))
    assert plain_path([], 0.2).shape == (0,)


@pytest.mark.parametrize("limit", [0.0, -1.0, NAN, [1.0, NAN]])
def test_a_chart_without_a_real_limit_is_refused(limit):
    with pytest.raises(BadInput, match="limit must be a number above 0"):
        run_ewma(np.zeros((3, 2)), 0.2, limit, sided="one")
    with pytest.raises(BadInput, match="limit must be a number above 0"):
        ewma_step(np.zeros(2), np.zeros(2), 0.2, limit, sided="one")


@pytest.mark.parametrize("lam", [0.0, 1.5, NAN])
def test_an_impossible_weight_is_refused(lam):
    with pytest.raises(BadInput, match="EWMA weight must be above 0 and at most 1"):
        plain_path([1.0], lam)
    with pytest.raises(BadInput, match="EWMA weight must be above 0 and at most 1"):
        settled_limits(lam, 3.0)
