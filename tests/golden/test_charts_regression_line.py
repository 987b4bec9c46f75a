"""Line fits and calibration charts against NIST data and tables."""

from pathlib import Path

import pandas as pd
import pytest

from arcdrift.charts.regression_line import Line, calibration_chart, fit_line

DATA = Path(__file__).parent / "data"


def test_norris_certified_values():
    # NIST Statistical Reference Datasets, linear regression, Norris
    data = pd.read_csv(DATA / "norris_strd.csv")
    line = fit_line(data.x, data.y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-8)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-8)
    assert line.se_intercept == pytest.approx(0.232818234301152, rel=1e-8)
    assert line.se_slope == pytest.approx(0.000429796848199937, rel=1e-8)
    assert line.s == pytest.approx(0.884796396144373, rel=1e-8)


def test_daily_check_of_a_linewidth_calibration():
    # NIST/SEMATECH e-Handbook 2.3.6.7 and 2.3.7.1 (mpc3673.htm, mpc371.htm), data
    # CALIBRATIONLINE.DAT and LINEWID.DAT: out of control on day 4 at all three levels.
    calibration = pd.read_csv(DATA / "nist_linewidth_calibration.csv")
    line = fit_line(calibration.x, calibration.y)
    assert line.intercept == pytest.approx(0.23576229, abs=1e-8)
    assert line.slope == pytest.approx(0.98703771, abs=1e-8)
    assert line.se_intercept == pytest.approx(0.02430034, abs=1e-8)
    assert line.se_slope == pytest.approx(0.00344058, abs=1e-8)
    assert line.s == pytest.approx(0.06203196, abs=1e-8)
    assert line.df == 38

    control = pd.read_csv(DATA / "nist_linewidth_control.csv")
    chart = calibration_chart(line, control.x, control.y, alpha=0.05, together=3)
    assert chart.limit * line.slope / line.s == pytest.approx(2.497575, abs=1e-6)
    assert chart.limit == pytest.approx(0.1569641, abs=1e-7)
    assert control.day[chart.outside].tolist() == [4, 4, 4]
    assert chart.value[9:12] == pytest.approx([-0.2289, 0.2704, 0.2933], abs=5e-5)
    assert chart.value == pytest.approx(control.w, abs=1e-6)


@pytest.mark.parametrize(
    ("df", "multiplier"),
    [(1, 37.544), (2, 7.582), (3, 4.826), (10, 2.860), (30, 2.528), (61, 2.455), (93, 2.431)],
)
def test_multiplier_for_three_standards(df, multiplier):
    # NIST/SEMATECH e-Handbook 1.3.6.7.5 (eda3675.htm), table of t* at 0.05 for three points
    line = Line(intercept=0.0, slope=1.0, se_intercept=0.1, se_slope=0.1, s=1.0, df=df)
    chart = calibration_chart(line, [0.0], [0.0], alpha=0.05, together=3)
    assert chart.limit == pytest.approx(multiplier, abs=6e-4)
