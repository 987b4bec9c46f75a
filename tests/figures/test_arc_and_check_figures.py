import numpy as np
import pandas as pd
import pytest

from arcdrift.figures.arc import arc_history, effects
from arcdrift.figures.checks import (
    compliance_dots,
    compliance_table,
    compliance_weeks,
    unchecked_weeks,
)


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
            "beyond": [np.nan] * 5,
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


def test_a_change_is_drawn_from_the_level_before_it(points):
    points["beyond"] = [np.nan, 4.0, 12.0, -6.0, np.nan]
    picture = arc_history(points, unit="steps")
    band = trace(picture.figure, "expected for that day's air and wear")
    assert [y for y in band.y if y is not None and not np.isnan(y)][:3] == [47.0, 48.0, 46.0]
    assert list(picture.table["expected_high"])[1:4] == [50.0, 51.0, 49.0]
    changed = trace(picture.figure, "beyond air and wear, from the level before the change")
    assert list(changed.customdata) == [4.0, 12.0, -6.0]
    assert "It lies -6 steps beyond what air and wear explain" in picture.summary


def test_the_expected_band_breaks_at_an_electrode_replacement(points):
    figure = arc_history(points, unit="steps").figure
    bands = [t for t in figure.data if t.name == "expected range (95 %)"]
    assert [len(t.x) for t in bands] == [4, 2]
    assert [t.showlegend for t in bands] == [True, False]


def test_events_that_share_a_mark_are_counted_below(points):
    at = pd.to_datetime(["2025-03-02 06:00", "2025-03-02 09:00", "2025-03-03 06:00"])
    events = pd.DataFrame({"at": at, "action": ["cleaned", "electrodes replaced", "cleaned"]})
    said = arc_history(points, events, unit="steps").summary
    assert said.endswith("Marks along the top: electrodes replaced (1), cleaned (2).")
    assert "Marks" not in arc_history(points, events[1:], unit="steps").summary


def test_no_check_with_a_setting_is_said_in_words(points):
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


def _week(monday: str, statuses: list[str], running: int = 0) -> pd.DataFrame:
    day = pd.date_range(monday, periods=len(statuses)).strftime("%Y-%m-%d")
    over = [i < len(statuses) - running for i in range(len(statuses))]
    return pd.DataFrame({"splicer": "Heron", "day": day, "status": statuses, "day_over": over})


def test_weeks_carry_their_share_and_interval():
    days = pd.concat(
        [
            _week("2026-06-01", ["checked", "late", "missed", "no-work", "checked"]),
            _week("2026-06-08", ["failed-only", "checked", "due"], running=1),
        ]
    )
    picture = compliance_weeks(days)
    assert picture.table["week_from"].tolist() == ["2026-06-01", "2026-06-08"]
    assert picture.table["week"].tolist() == ["2026-W23", "2026-W24"]
    assert picture.table["days"].tolist() == [4, 2]
    past, running = picture.figure.data
    assert (past.name, running.name) == ("finished weeks", "this week so far")
    assert (list(past.y), list(running.y)) == ([50.0], [50.0])
    assert running.marker.symbol == "circle-open"
    # 2 of 4: 15.0 % to 85.0 % (E. B. Wilson 1927, by hand)
    assert past.error_y.array[0] == pytest.approx(35.0, abs=0.05)
    assert past.error_y.arrayminus[0] == pytest.approx(35.0, abs=0.05)
    assert picture.summary == (
        "3 of 6 splicer workdays checked before the first splice (late 1, failed only 1, missed 1)."
    )
    assert picture.title == "Checked in time on 50 % of workdays"


@pytest.mark.parametrize(("weeks", "every"), [(1, 1), (6, 1), (7, 2), (53, 9)])
def test_labels_stand_on_mondays_and_fit_a_phone(weeks: int, every: int):
    picture = compliance_weeks(_week("2026-06-01", ["checked"] * (7 * weeks)))
    axis = picture.figure.layout.xaxis
    assert pd.Timestamp(axis.tick0) == pd.Timestamp("2026-06-01")  # a Monday
    assert axis.dtick == every * 7 * 86_400_000
    assert ("%Y" in axis.tickformat) == (weeks > 31)


def test_only_a_running_day_is_nothing_to_draw_yet():
    picture = compliance_weeks(_week("2026-06-08", ["no-work", "due"], running=1))
    assert picture.figure is None
    assert picture.summary == "No finished workday in this period."


def test_splices_on_an_unchecked_arc_are_counted_by_week():
    days = pd.concat(
        [
            _week("2026-06-01", ["checked", "late", "missed", "no-work", "checked"]),
            _week("2026-06-15", ["failed-only", "checked", "due"], running=1),
        ]
    )
    splices = {"no-work": 0}
    days = days.assign(
        splices=[splices.get(status, 20) for status in days["status"]],
        splices_before_check=[7 if status == "late" else 0 for status in days["status"]],
    )
    picture = unchecked_weeks(days)
    # the week between them, in which nobody worked, has a place of its own
    assert picture.table["week_from"].dt.strftime("%m-%d").tolist() == ["06-01", "06-08", "06-15"]
    assert picture.table["unchecked"].tolist() == [27, 0, 40]
    assert picture.table["before_a_late_check"].tolist() == [7, 0, 0]
    assert picture.table["without_a_check"].tolist() == [20, 0, 20]
    assert picture.table["after_failed_attempts_only"].tolist() == [0, 0, 20]
    assert list(picture.figure.data[0].text) == ["27", "0", "40"]
    assert picture.title == "67 splices on an unchecked arc, most in the week from 15 Jun 2026"
    assert picture.summary.startswith("67 of 140 splices")
    good = unchecked_weeks(days[days["status"] == "checked"])
    assert good.title == "No splice was made on an unchecked arc"
    assert unchecked_weeks(days[days["status"] == "no-work"]).figure is None


def test_of_many_splicers_those_with_most_misses_are_drawn_and_the_rest_are_said():
    days = pd.concat(
        _week("2026-06-01", ["checked"] * (5 - late) + ["late"] * late).assign(splicer=f"{no:03}")
        for no, late in enumerate([0] * 30 + [1] * 40 + [2] * 3)
    )
    picture = compliance_dots(compliance_table(days, "splicer"), "splicer")
    assert len(picture.figure.data[0].x) == 60
    drawn = list(picture.figure.layout.yaxis.ticktext)[::-1]
    # all with misses, then by name
    assert drawn == [f"{no:03}" for no in [*range(17), *range(30, 73)]]
    assert picture.summary.startswith("60 of 73 splicers, those with the most days not in time")
    assert len(picture.table) == 73


def test_who_lies_below_is_named_only_beyond_chance():
    days = pd.concat(
        [
            _week("2026-06-01", ["checked"] * 20 + ["late"] * 10),
            _week("2026-06-01", ["checked"] * 3 + ["late"]).assign(splicer="Tern"),
        ]
    )
    picture = compliance_dots(compliance_table(days, "splicer"), "splicer")
    assert picture.summary.endswith("in 20 by more than chance explains: Heron.")
    assert list(picture.figure.data[0].x) == [75.0, pytest.approx(66.7, abs=0.1)]
