import numpy as np
import pandas as pd
import pytest

from arcdrift.figures.loss import stream_evidence
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


def test_evidence_is_a_share_of_its_limit_and_lower_loss_goes_down(days):
    before = days.copy()
    picture = stream_evidence(days)
    pd.testing.assert_frame_equal(days, before)
    rise, fall = [one["y"] for one in picture.figure["data"] if one["mode"] == "lines"]
    assert rise[5:] == pytest.approx([0, 60, 128])
    assert fall[5:] == pytest.approx([-100 * 0.1 / 0.9, 0, 0])
    (alarm,) = [one for one in picture.figure["data"] if one["mode"] == "markers"]
    assert (alarm["marker"]["symbol"], alarm["y"]) == ("triangle-up", [128])
    assert "1 alarm for higher and 0 for lower loss" in picture.summary
    assert "stood at 128 % of its limit" in picture.summary
    assert "swings" not in picture.summary
    low, high = picture.figure["layout"]["yaxis"]["range"]
    assert low < -11
    assert high > 128


def test_the_likely_onset_is_shaded_and_service_marked(days):
    onset = (pd.Timestamp("2025-03-06"), pd.Timestamp("2025-03-07"))
    events = pd.DataFrame(
        {
            "at": pd.to_datetime(["2025-03-04 06:00", "2025-09-01 06:00"]),
            "action": ["electrodes replaced", "cleaned"],
        }
    )
    figure = stream_evidence(days, events, onset=onset).figure
    (span,) = [one for one in figure["layout"]["shapes"] if one["type"] == "rect"]
    assert (span["x0"][:13], span["x1"][:13]) == ("2025-03-05T12", "2025-03-07T12")
    assert span["fillcolor"] == colors("light").onset
    (mark,) = [one for one in figure["data"] if one.get("yaxis") == "y2"]
    assert (mark["name"], mark["marker"]["symbol"]) == ("electrodes replaced", "diamond")


def test_evidence_before_five_days_is_refused_in_words(days):
    picture = stream_evidence(days.head(4))
    assert picture.figure is None
    assert "five days" in picture.summary


def test_dark_scheme_changes_the_template(days):
    light, dark = (stream_evidence(days, scheme=s).figure for s in ("light", "dark"))
    assert light["layout"]["template"]["layout"]["font"]["color"] == "#1f2933"
    assert dark["layout"]["template"]["layout"]["font"]["color"] == "#e6eaee"


def test_runs_gives_first_and_last_of_each_run():
    at = pd.Series([10, 20, 30, 40, 50])
    assert runs(pd.Series([True, True, False, False, True]), at) == [(10, 20), (50, 50)]
    assert runs(pd.Series([False, False]), at.head(2)) == []


def test_broken_puts_a_gap_where_the_group_changes():
    frame = pd.DataFrame({"at": [1, 2, 3], "y": [1.0, 2.0, 3.0], "epoch": [0, 0, 1]})
    values = broken(frame, "epoch")["y"].to_numpy()
    np.testing.assert_array_equal(values, [1.0, 2.0, np.nan, 3.0])
