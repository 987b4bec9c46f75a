"""CUSUM: agreement with the plain recursion, gaps, and the dating of a shift."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arcdrift.charts.cusum import cusum
from arcdrift.errors import BadInput

NAN = float("nan")
# Quarters add without rounding, so that "back at 0" means the same in both recursions.
quarters = st.integers(-16, 16).map(lambda i: i / 4)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(
    st.lists(st.one_of(quarters, st.just(NAN)), max_size=60),
    st.sampled_from([0.0, 0.25, 0.5, 1.0]),
    st.sampled_from([0.0, 2.0]),
)
def test_sums_and_counters_follow_the_plain_recursion(x, k, head_start):
    result = cusum(x, k, 4.0, target=0.25, head_start=head_start)
    up = down = head_start
    n_up = n_down = 0
    alarm = None
    for i, value in enumerate(x):
        if np.isnan(value):
            assert np.isnan(result.upper[i])
            assert np.isnan(result.lower[i])
            continue
        up, down = max(0.0, up + value - 0.25 - k), max(0.0, down - value + 0.25 - k)
        n_up, n_down = (n_up + 1 if up > 0 else 0), (n_down + 1 if down > 0 else 0)
        assert (result.upper[i], result.lower[i]) == (up, down)
        assert (result.n_upper[i], result.n_lower[i]) == (n_up, n_down)
        if alarm is None and (up > 4.0 or down > 4.0):
            alarm = i
    assert (None if result.signal is None else result.signal.index) == alarm


def test_a_downward_shift_is_dated_and_measured_across_a_gap():
    result = cusum([0.0, 0.0, 0.0, -2.0, NAN, -2.0, -2.0, 5.0], 0.5, 4.0)
    assert result.signal is not None
    assert result.signal.side == "lower"
    assert result.signal.index == 6
    assert result.signal.onset == 3
    assert result.signal.new_mean == pytest.approx(-2.0)


@pytest.mark.parametrize(("k", "h", "head"), [(-1, 4, 0), (0.5, 0, 0), (0.5, 4, 5), (NAN, 4, 0)])
def test_impossible_designs_are_refused(k, h, head):
    with pytest.raises(BadInput, match="k of at least 0, h above 0 and a head start from 0 to h"):
        cusum([1.0], k, h, head_start=head)
