import numpy as np
import pandas as pd
import pytest

from arcdrift.figures.loss import FROZEN, LEFT_OUT, crew_trend, stream_days, stream_evidence
from arcdrift.figures.marks import broken, runs
from arcdrift.figures.theme import colors


@pytest.fixture
def days() -> pd.DataFrame:
    """Eight days: five to calibrate, then one ordinary, one high, one alarm."""
    unknown = [np.nan] * 5
    return pd.DataFrame(
        {
            "splicer": "Heron",
            "program": "single-mode fixed",
            "day": [f"2025-03-0{i}" for i in range(1, 9)],
            "splices": 10,
            "mean_db": [0.03] * 6 + [0.06, 0.07],
            "capped_mean_db": [0.03] * 6 + [0.05, 0.06],
            "expected_db": [*unknown, 0.03, 0.031, 0.032],
            "low_db": [*unknown, 0.02, 0.02, 0.02],
            "high_db": [*unknown, 0.04, 0.04, 0.04],
            "z": [*unknown, 0.0, 3.0, 4.0],
            "ewma_up": [*unknown, 0.0, 0.6, 1.28],
            "ewma_down": [*unknown, 0.1, 0.0, 0.0],
            "limit_up": [*unknown, 1.0, 1.0, 1.0],
            "limit_down": [*unknown, 0.9, 0.9, 0.9],
            "alarm": [""] * 7 + ["up"],
            "segment": [0] * 5 + [1] * 3,
            "learning": [True] * 7 + [False],
            "excluded": False,
            "frozen": False,
        }
    )


def trace(figure, name):
    return next(t for t in figure.data if t.name == name)


def test_crew_trend_draws_every_day_and_names_the_last():
    crew = pd.DataFrame(
        {
            "day": ["2025-03-02", "2025-03-01", "2025-03-03"],
            "splices": [30, 10, 0],
            "mean_db": [0.04, 0.02, np.nan],
            "median_db": [0.03, 0.015, np.nan],
            "p95_db": [0.1, 0.05, np.nan],
            "over_010": [1, 0, 0],
            "redo": 0,
            "errors": 0,
        }
    )
    picture = crew_trend(crew)
    assert list(trace(picture.figure, "mean of the day").y) == [0.02, 0.04]
    # by hand: (10 x 0.02 + 30 x 0.04) / 40
    assert "40 splices on 2 days, mean 0.035 dB" in picture.summary
    assert "(2025-03-02) 30 splices" in picture.summary
    assert picture.figure.layout.yaxis.title.text == "Estimated loss, dB"
    assert len(picture.table) == 3


def test_crew_trend_without_losses_says_so():
    empty = pd.DataFrame(
        columns=[
            "day",
            "splices",
            "mean_db",
            "median_db",
            "p95_db",
            "over_010",
            "redo",
            "errors",
        ]
    )
    picture = crew_trend(empty)
    assert picture.figure is None
    assert picture.summary == "No splices with a loss in this period."


def test_stream_days_counts_days_above_the_expected_range(days):
    before = days.copy()
    picture = stream_days(days)
    pd.testing.assert_frame_equal(days, before)
    assert "8 days, 80 splices; 2 of 3 judged days lie above" in picture.summary
    assert "0.060 dB with high values capped, expected 0.032 dB (0.020 to 0.040)" in picture.summary
    points = trace(picture.figure, "mean of the day, high values capped")
    assert list(points.y) == [0.03] * 6 + [0.05, 0.06]
    band = trace(picture.figure, "where 95 of 100 ordinary days fall")
    assert list(band.y) == [0.04, 0.04, 0.04, 0.02, 0.02, 0.02]
    alarm = trace(picture.figure, "alarm: loss has risen")
    assert list(alarm.y) == [0.06]
    assert alarm.marker.symbol == "triangle-up"


def test_learning_days_and_the_onset_are_shaded(days):
    onset = (pd.Timestamp("2025-03-06"), pd.Timestamp("2025-03-07"))
    shades = [s for s in stream_days(days, onset=onset).figure.layout.shapes if s.type == "rect"]
    assert [(str(s.x0)[:13], str(s.x1)[:13]) for s in shades] == [
        ("2025-02-28 12", "2025-03-07 12"),
        ("2025-03-05 12", "2025-03-07 12"),
    ]
    assert shades[1].fillcolor == colors("light").onset


def test_days_left_out_and_frozen_ones_are_drawn_as_such(days):
    days = days.assign(excluded=[False, True] + [False] * 6, frozen=[False] * 6 + [True] * 2)
    picture = stream_days(days)
    assert list(trace(picture.figure, LEFT_OUT).y) == [0.03]
    assert len(trace(picture.figure, "mean of the day, high values capped").y) == 7
    assert trace(picture.figure, FROZEN) is not None
    assert "(1 day left out by a person)" in picture.summary
    plain = stream_days(days.assign(excluded=False, frozen=False))
    assert not {LEFT_OUT, FROZEN} & {one.name for one in plain.figure.data}


def test_service_events_are_marked_by_symbol_and_name(days):
    events = pd.DataFrame(
        {
            "at": pd.to_datetime(["2025-03-04 06:00", "2025-09-01 06:00"]),
            "action": ["electrodes replaced", "cleaned"],
        }
    )
    figure = stream_days(days, events).figure
    mark = trace(figure, "electrodes replaced")
    assert mark.marker.symbol == "diamond"
    assert len(mark.x) == 1
    assert not any(t.name == "cleaned" for t in figure.data)


def test_evidence_shows_the_falling_side_below_zero(days):
    picture = stream_evidence(days)
    np.testing.assert_allclose(
        trace(picture.figure, "evidence of lower loss").y[5:], [-0.1, 0.0, 0.0]
    )
    limits = [t for t in picture.figure.data if t.name == "limit: an alarm beyond it"]
    assert [t.y[-1] for t in limits] == [1.0, -0.9]
    assert [t.showlegend for t in limits] == [True, False]
    assert "1 alarm for higher and 0 for lower loss" in picture.summary
    assert "1.28, limit 1.00" in picture.summary
    low, high = picture.figure.layout.yaxis.range
    assert low < -0.9
    assert high > 1.28


def test_evidence_before_five_days_is_refused_in_words(days):
    picture = stream_evidence(days.head(4))
    assert picture.figure is None
    assert "5 days" in picture.summary


def test_days_not_judged_are_not_called_fine(days):
    assert "too few days so far" in stream_days(days.head(4)).summary


def test_dark_scheme_changes_the_template(days):
    light, dark = (stream_days(days, scheme=s).figure for s in ("light", "dark"))
    assert light.layout.template.layout.font.color == "#1f2933"
    assert dark.layout.template.layout.font.color == "#e6eaee"


def test_runs_gives_first_and_last_of_each_run():
    at = pd.Series([10, 20, 30, 40, 50])
    assert runs(pd.Series([True, True, False, False, True]), at) == [(10, 20), (50, 50)]
    assert runs(pd.Series([False, False]), at.head(2)) == []


def test_broken_puts_a_gap_where_the_group_changes():
    frame = pd.DataFrame({"at": [1, 2, 3], "y": [1.0, 2.0, 3.0], "epoch": [0, 0, 1]})
    values = broken(frame, "epoch")["y"].to_numpy()
    np.testing.assert_array_equal(values, [1.0, 2.0, np.nan, 3.0])
