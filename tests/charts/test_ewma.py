"""EWMA paths and steppers: agreement with plain recursions, resets, and missing values."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.signal import lfilter

from arcdrift.charts.ewma import (
    ewma,
    ewma_step,
    ewma_with_resets,
    first_signal,
    opening_limits,
    settled_limits,
)
from arcdrift.errors import BadInput

quick = settings(max_examples=60, deadline=None, derandomize=True)
values = st.floats(-5.0, 5.0)
weights = st.floats(0.02, 1.0)
NAN = float("nan")


@quick
@given(arrays(float, st.integers(1, 60), elements=values), weights, values)
def test_the_plain_path_is_the_first_order_filter_of_scipy(x, lam, start):
    expected = lfilter([lam], [1.0, lam - 1.0], x, zi=[(1 - lam) * start])[0]
    np.testing.assert_allclose(ewma(x, lam, start=start), expected, atol=1e-9)


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
    np.testing.assert_allclose(ewma(holed, lam)[seen], ewma(x, lam), atol=1e-9)
    assert np.isnan(ewma(holed, lam)[~seen]).all()
    for sided in ("one", "two"):
        with_gaps = ewma_with_resets(holed, lam, 1.0, sided=sided)
        whole = ewma_with_resets(x, lam, 1.0, sided=sided)
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
    together = ewma_with_resets(z, lam, limit, sided=sided)
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
    whole = ewma_with_resets(z, 0.2, 1.2, sided="two")
    first = ewma_with_resets(z[:33], 0.2, 1.2, sided="two")
    rest = ewma_with_resets(z[33:], 0.2, 1.2, sided="two", start=first.state)
    np.testing.assert_array_equal(np.concatenate((first.signal, rest.signal)), whole.signal)
    np.testing.assert_array_equal(rest.state, whole.state)
    one = ewma_step(first.state, z[33], 0.2, 1.2, sided="two")
    np.testing.assert_array_equal(one.value, whole.value[33])


def test_an_alarm_shows_its_height_and_starts_the_chart_again():
    run = ewma_with_resets([4.0, 4.0, 4.0, -9.0], 0.5, 2.0, sided="two")
    # line: 2 sqrt(1/3) = 1.155; 2 alarms, then from 0 again 2, 2, and -4.5
    np.testing.assert_allclose(run.value, [2.0, 2.0, 2.0, -4.5])
    np.testing.assert_array_equal(run.signal, [1, 1, 1, -1])
    upper = ewma_with_resets([-9.0, 1.0], 0.5, 2.0, sided="one")
    np.testing.assert_allclose(upper.value, [0.0, 0.5])
    np.testing.assert_array_equal(upper.signal, [0, 0])


def test_opening_limits_start_at_one_value_and_settle():
    lower, upper = opening_limits(0.2, 3.0, 200, center=1.0, sigma=2.0)
    assert upper[0] == pytest.approx(1.0 + 3.0 * 2.0 * 0.2)  # sd of the first EWMA: lam sigma
    assert (lower[-1], upper[-1]) == pytest.approx(settled_limits(0.2, 3.0, center=1.0, sigma=2.0))


def test_a_point_on_the_limit_is_inside_and_missing_points_never_signal():
    assert first_signal([NAN, 3.0, -3.0, NAN], -3.0, 3.0) is None
    assert first_signal([NAN, 3.0, 3.1], -3.0, 3.0) == 2
    assert first_signal([0.0, 2.0], [-3.0, -1.0], [3.0, 1.0]) == 1


def test_inputs_are_left_as_they_were():
    z = np.array([[0.5, NAN], [3.0, 4.0]])
    before, state = z.copy(), np.zeros(2)
    ewma(z, 0.2)
    ewma_with_resets(z, 0.2, 1.0, sided="two", start=state)
    np.testing.assert_array_equal(z, before)
    np.testing.assert_array_equal(state, np.zeros(2))
    assert ewma([], 0.2).shape == (0,)


@pytest.mark.parametrize("limit", [0.0, -1.0, NAN, [1.0, NAN]])
def test_a_chart_without_a_real_limit_is_refused(limit):
    with pytest.raises(BadInput, match="limit must be a number above 0"):
        ewma_with_resets(np.zeros((3, 2)), 0.2, limit, sided="one")
    with pytest.raises(BadInput, match="limit must be a number above 0"):
        ewma_step(np.zeros(2), np.zeros(2), 0.2, limit, sided="one")


@pytest.mark.parametrize("lam", [0.0, 1.5, NAN])
def test_an_impossible_weight_is_refused(lam):
    with pytest.raises(BadInput, match="EWMA weight must be above 0 and at most 1"):
        ewma([1.0], lam)
