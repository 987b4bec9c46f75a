"""Charts around a line: bands, gaps, and refusals."""

import numpy as np
import pytest

from arcdrift.charts.regression_line import Line, calibration_chart, fit_line, regression_chart
from arcdrift.errors import BadInput

NAN = float("nan")
LINE = Line(intercept=1.0, slope=2.0, se_intercept=0.1, se_slope=0.1, s=0.5, df=20)


def test_residuals_are_held_against_two_residual_deviations():
    chart = regression_chart(LINE, [0.0, 1.0, 2.0, 3.0], [1.0, 4.0, 3.9, NAN])
    np.testing.assert_allclose(chart.value, [0.0, 1.0, -1.1, NAN])
    assert chart.limit == 1.0
    np.testing.assert_array_equal(chart.outside, [False, False, True, False])


def test_a_calibration_chart_speaks_in_the_unit_of_x():
    chart = calibration_chart(LINE, [5.0, NAN], [12.0, 3.0])
    np.testing.assert_allclose(chart.value, [0.5, NAN])
    # t table, 20 degrees of freedom, 0.975: 2.086
    assert chart.limit == pytest.approx(0.5 * 2.086 / 2.0, abs=2e-4)


def test_a_falling_calibration_has_the_same_band():
    falling = Line(intercept=1.0, slope=-2.0, se_intercept=0.1, se_slope=0.1, s=0.5, df=20)
    assert calibration_chart(falling, [0.0], [1.0]).limit == (
        calibration_chart(LINE, [0.0], [1.0]).limit
    )


def test_incomplete_pairs_are_left_out_of_the_fit():
    line = fit_line([0.0, 1.0, NAN, 2.0, 3.0], [1.0, 3.0, 9.0, 5.0, NAN])
    assert (line.intercept, line.slope, line.df) == (pytest.approx(1.0), pytest.approx(2.0), 1)


@pytest.mark.parametrize(("x", "y"), [([1.0, 2.0], [1.0, 2.0]), ([1.0] * 4, [1.0, 2.0, 3.0, 4.0])])
def test_no_line_without_enough_pairs(x, y):
    with pytest.raises(BadInput, match="three pairs of values, with more than one x"):
        fit_line(x, y)


def test_impossible_designs_are_refused():
    with pytest.raises(BadInput, match="between 0 and 1, not at 1"):
        calibration_chart(LINE, [0.0], [0.0], alpha=1.0)
    with pytest.raises(BadInput, match="at least one check standard, not 0"):
        calibration_chart(LINE, [0.0], [0.0], together=0)
    flat = Line(intercept=1.0, slope=0.0, se_intercept=0.1, se_slope=0.1, s=0.5, df=20)
    with pytest.raises(BadInput, match="calibration line is flat"):
        calibration_chart(flat, [0.0], [0.0])
