"""Adjusted p-values against those of scipy.stats."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import false_discovery_control

from arcdrift.charts.false_discovery import adjusted_p_values


def test_the_example_of_benjamini_and_hochberg() -> None:
    # Benjamini and Hochberg (1995), section 4.1: 15 comparisons, of which the four smallest stand
    # out at a share of false discoveries of 5 %
    p_value = np.array(
        [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
         0.5719, 0.6528, 0.7590, 1.0000]
    )  # fmt: skip
    assert np.flatnonzero(adjusted_p_values(p_value) <= 0.05).tolist() == [0, 1, 2, 3]


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30))
def test_they_are_those_of_scipy(p_value: list[float]) -> None:
    given_values = np.array(p_value, dtype=np.float64)
    np.testing.assert_array_equal(
        adjusted_p_values(given_values), false_discovery_control(given_values)
    )
