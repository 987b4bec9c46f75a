import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.arc_drift import EPOCH_MIN, START_ALONE, START_BORROWING
from arcdrift.analysis.arc_pool import MIN_SISTERS
from arcdrift.figures.arc import arc_drift, arc_history, effects
from arcdrift.figures.checks import compliance, compliance_table


@pytest.fixture
def points() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "at": pd.date_range("2025-03-01 07:00", periods=5, freq="D"),
            "arc_setting": [50.0, 51.0, 60.0, 40.0, np.nan],
            "expected": [np.nan, 50.0, 50.0, 45.0, 45.0],
            "expected_low": [np.nan, 47.0, 47.0, 42.0, 42.0],
            "expected_high": [np.nan, 53.0, 53.0, 48.0, 48.0],
            "epoch": [0, 0, 0, 1, 1],
            "excluded": [None, None, None, "no air reading", "no setting"],
            "z": [np.nan, 0.5, 5.0, -2.0, np.nan],
            "ewma": [np.nan, 0.1, 1.08, -0.4, np.nan],
            "limit": [np.nan, 1.0, 1.0, 1.0, np.nan],
            "alarm": [False, False, True, False, False],
        }
    )


def trace(figure, name):
    return next(t for t in figure.data if t.name == name)


def test_arc_history_names_unit_outliers_and_what_was_left_out(points):
    picture = arc_history(points, unit="steps")
    assert picture.figure.layout.yaxis.title.text == "Arc setting, steps"
    assert list(trace(picture.figure, "setting found by the check").y) == [50.0, 51.0, 60.0]
    left_out = trace(picture.figure, "not used")
    assert list(left_out.y) == [40.0]
    assert left_out.customdata[0] == "no air reading"
    assert "4 checks with a setting, from 40 to 60 steps" in picture.summary
    assert "2 of 3 fell outside" in picture.summary


def test_the_expected_band_breaks_at_an_electrode_replacement(points):
    figure = arc_history(points, unit="steps").figure
    bands = [t for t in figure.data if t.name == "expected range (95 %)"]
    assert [len(t.x) for t in bands] == [4, 2]
    assert [t.showlegend for t in bands] == [True, False]


def test_arc_drift_draws_both_limits_and_the_alarm(points):
    picture = arc_drift(points)
    limits = [t for t in picture.figure.data if t.name == "limit: an alarm beyond it"]
    assert [t.y[0] for t in limits] == [1.0, -1.0]
    assert list(trace(picture.figure, "alarm: setting drifts").y) == [1.08]
    assert picture.summary.startswith("1 alarm in 3 judged checks")


def test_no_judged_check_is_said_in_words(points):
    picture = arc_drift(points.head(1))
    assert picture.figure is None
    assert f"after {START_BORROWING} passed checks" in picture.summary
    assert f"after {START_ALONE} otherwise" in picture.summary
    assert (EPOCH_MIN, MIN_SISTERS) == (2, 2)
    assert "at least two sister splicers" in picture.summary
    assert "at least two checks on the present electrodes" in picture.summary
    assert arc_drift(points.head(0)).summary == "No passed arc check in this period."
    nothing = arc_history(points.tail(1), unit="steps")
    assert nothing.summary == "No passed arc check with a setting in this period."


def test_effects_show_the_interval_and_the_unit():
    table = pd.DataFrame(
        {"effect": ["air, whole"], "change": [-9.0], "low": [-11.0], "high": [-6.0]}
    )
    picture = effects(table, unit="%")
    dot = picture.figure.data[0]
    assert dot.x[0] == -9.0
    assert dot.error_x.array[0] == 3.0
    assert dot.error_x.arrayminus[0] == 2.0
    assert picture.summary == "air, whole: -9.0 % (-11.0 to -6.0)."
    assert picture.figure.layout.annotations[0].text == "air, whole"
    assert effects(table.head(0), unit="%").figure is None


def test_a_value_that_rounds_to_nothing_has_no_sign_of_its_own():
    table = pd.DataFrame({"effect": ["wear"], "change": [-0.04], "low": [-0.01], "high": [0.02]})
    assert effects(table, unit="%").summary == "wear: +0.0 % (0.0 to 0.0)."


def _days(kept: int, worked: int) -> pd.DataFrame:
    status = ["checked"] * kept + ["missed"] * (worked - kept)
    return pd.DataFrame({"splicer": "Heron", "status": status, "day_over": True})


@pytest.mark.parametrize(
    ("kept", "worked", "low", "high"),
    [
        # Newcombe 1998, Statistics in Medicine 17, 857-872, Table I, method 3 (score)
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_compliance_interval_is_wilsons(kept, worked, low, high):
    row = compliance_table(_days(kept, worked)).iloc[0]
    assert (row["checked"], row["days"]) == (kept, worked)
    assert row["low"] == pytest.approx(low, abs=5e-5)
    assert row["high"] == pytest.approx(high, abs=5e-5)


def test_compliance_leaves_out_the_running_day_and_days_without_work():
    days = pd.DataFrame(
        {
            "splicer": ["Heron"] * 5,
            "status": ["checked", "late", "no-work", "due", "missed"],
            "day_over": [True, True, True, False, True],
        }
    )
    picture = compliance(days)
    assert picture.table.loc[0, ["days", "checked", "late", "missed"]].tolist() == [3, 1, 1, 1]
    assert list(picture.figure.data[0].y) == ["Heron: 1 of 3"]
    assert picture.figure.data[0].x[0] == pytest.approx(100 / 3)
    assert "1 of 3 splicer workdays" in picture.summary
    assert compliance(days.iloc[[2]]).figure is None
