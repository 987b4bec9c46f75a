"""One splicer and program, the crew's weeks and small charts, as plain figures."""

import json
from datetime import date
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from arcdrift.figures.crew_weeks import crew_weeks, crew_weeks_chart, last_week, last_week_right
from arcdrift.figures.loss_titles import LossChange
from arcdrift.figures.plain_figure import label
from arcdrift.figures.small_charts import small_chart
from arcdrift.figures.stream_chart import MOST_HANDS, OTHERS, stream_chart
from arcdrift.figures.theme import colors

HOSTILE = ("<b>bold</b>", "<script>alert(1)</script>", "=1+1", "a" * 200, "\u202eabc", "אבג")


@pytest.fixture
def days() -> pd.DataFrame:
    """Eight days: five to calibrate, then one ordinary, one left out, one alarm."""
    unknown = [np.nan] * 5
    return pd.DataFrame(
        {
            "day": [f"2025-03-0{i}" for i in range(1, 9)],
            "splices": 10,
            "mean_db": [0.03] * 6 + [0.06, 0.07],
            "capped_mean_db": [0.03] * 6 + [0.05, 0.06],
            "expected_db": [*unknown, 0.03, 0.031, 0.032],
            "low_db": [*unknown, 0.02, 0.02, 0.02],
            "high_db": [*unknown, 0.04, 0.04, 0.04],
            "alarm": [""] * 7 + ["up"],
            "excluded": [False] * 6 + [True, False],
            "frozen": False,
        }
    )


def words(figure: dict[str, Any]) -> list[str]:
    return [note["text"] for note in figure["layout"]["annotations"]]


def marks(figure: dict[str, Any], color: str) -> list[dict[str, Any]]:
    return [one for one in figure["data"] if one.get("marker", {}).get("color") == color]


def test_days_alarms_and_days_left_out_have_marks_of_their_own(days: pd.DataFrame):
    picture = stream_chart(days, usual_db=0.03, accepted_db=0.1)
    figure = picture.figure
    assert isinstance(figure, dict)
    (alarm,) = marks(figure, colors("light").rise)
    assert alarm["y"] == [0.06]
    assert [one["y"] for one in marks(figure, colors("light").muted)] == [[0.05]]
    assert "1 day left out by a person" in picture.summary
    assert "Last day, 8 Mar 2025: 0.060 dB with single high values capped, 0.032 dB" in (
        picture.summary
    )
    assert list(picture.table["day"]) == list(days["day"])
    json.dumps(figure)  # nothing in it that a browser does not read
    assert "too few days so far" in stream_chart(days.head(4)).summary
    assert stream_chart(days[:0]).figure is None


def test_levels_are_drawn_and_named_and_one_far_away_is_said(days: pd.DataFrame):
    near = stream_chart(days, usual_db=0.03, accepted_db=0.1)
    assert isinstance(near.figure, dict)
    assert "accepted on average 0.100 dB" in words(near.figure)
    assert "usual 0.030 dB" in words(near.figure)
    assert near.figure["layout"]["yaxis"]["range"][1] > 0.1
    far = stream_chart(days, usual_db=0.03, accepted_db=0.5)
    assert isinstance(far.figure, dict)
    assert far.figure["layout"]["yaxis"]["range"][1] < 0.1
    assert "accepted average of 0.50 dB lies above this scale" in far.summary


def test_a_change_is_shaded_until_it_is_over(days: pd.DataFrame):
    risen = LossChange(0.6, date(2025, 3, 6), date(2025, 3, 7), is_open=True)
    over = LossChange(0.6, date(2025, 3, 3), date(2025, 3, 5), False, back=date(2025, 3, 6))
    for change, ends in ((risen, "2025-03-08T12:00:00"), (over, "2025-03-05T12:00:00")):
        figure = stream_chart(days, changes=[change]).figure
        assert isinstance(figure, dict)
        (span,) = [
            one for one in figure["layout"]["shapes"]
            if one.get("fillcolor") == colors("light").onset
        ]  # fmt: skip
        assert span["x1"] == ends


def test_hands_are_a_strip_below_and_hostile_names_are_only_names(days: pd.DataFrame):
    names = [*HOSTILE, *"xyz"]
    hands = pd.DataFrame({"day": "2025-03-08", "technician": names, "n": range(20, 20 - 9, -1)})
    figure = stream_chart(days, hands=hands).figure
    assert isinstance(figure, dict)
    axis = figure["layout"]["yaxis3"]
    assert len(axis["ticktext"]) == MOST_HANDS + 1
    assert axis["ticktext"][-1] == OTHERS
    told = json.dumps(figure)
    assert "<script>" not in told
    assert "<b>bold" not in told
    assert "&lt;b&gt;bold" in told
    assert max(map(len, axis["ticktext"])) < 40
    assert label("\u202eabc") == "\u2068abc\u2069"
    assert label("אבג").startswith("\u2068")
    assert label("Heron & Co") == "Heron &amp; Co"


def crew(first: str, count: int) -> pd.DataFrame:
    day = pd.date_range(first, periods=count, freq="D")
    return pd.DataFrame(
        {"day": day.strftime("%Y-%m-%d"), "splices": 10, "mean_db": 0.03, "over_010": 1,
         "errors": 0, "places": 10, "again": 2}
    )  # fmt: skip


def test_weeks_of_the_crew_are_weighted_by_splices_and_begin_on_monday():
    days = crew("2026-11-02", 14)
    days.loc[0, ["splices", "mean_db"]] = [40, 0.06]
    weeks = crew_weeks(days)
    assert list(weeks["week"]) == ["2026-11-02", "2026-11-09"]
    # by hand: (40 x 0.06 + 60 x 0.03) / 100
    assert weeks["mean_db"].tolist() == pytest.approx([0.042, 0.03])
    assert weeks["again"].tolist() == [14, 14]
    assert last_week_right(weeks, "2026-11-16") == pytest.approx((0.8, 0.8))
    assert last_week_right(weeks, "2026-11-09") == (pytest.approx(0.8), None)
    assert last_week_right(weeks[:0], "2026-11-09") is None
    assert last_week(crew_weeks(days), "2026-11-16") == pytest.approx((0.03, 0.042))
    assert last_week(crew_weeks(days), "2026-11-09") == (pytest.approx(0.042), None)
    assert last_week(crew_weeks(days[:0]), "2026-11-09") is None
    assert crew_weeks_chart(crew_weeks(days[:0]), accepted_db=0.1).figure is None


def test_the_accepted_level_is_drawn_and_the_running_week_is_hollow():
    figure = crew_weeks_chart(
        crew_weeks(crew("2026-11-02", 10)), accepted_db=0.08, running="2026-11-09"
    ).figure
    assert isinstance(figure, dict)
    assert "accepted on average 0.08 dB" in words(figure)
    assert "0.030 so far" in words(figure)
    assert figure["data"][1]["marker"]["symbol"] == ["circle", "circle-open"]
    far = crew_weeks_chart(crew_weeks(crew("2026-11-02", 10)), accepted_db=0.5).figure
    assert isinstance(far, dict)
    assert "accepted on average 0.50 dB: above this scale ↑" in words(far)


def test_small_charts_share_a_scale_and_mark_what_lies_beyond_it():
    day = pd.date_range("2026-10-05", periods=21, freq="D").strftime("%Y-%m-%d")
    total = np.repeat([0.3, 0.9, 0.45], 7)
    days = pd.DataFrame({"day": day, "splices": 10, "total": total})
    first, last = pd.Timestamp("2026-10-05"), pd.Timestamp("2026-10-25")
    change = LossChange(0.5, date(2026, 10, 12), date(2026, 10, 19), is_open=True)
    svg = small_chart(days, 0.03, first, last, accepted_db=0.05, changes=[change])
    root = ElementTree.fromstring(svg)  # noqa: S314 (our own)
    space = "{http://www.w3.org/2000/svg}"
    heights = [float(one.get("cy", 0)) for one in root.iter(f"{space}circle")]
    assert len(heights) == 2  # three times the usual is a triangle at the edge
    assert heights[0] > heights[1]
    assert len(list(root.iter(f"{space}rect"))) == 1
    assert [one.text for one in root.iter(f"{space}text")] == ["twice", "usual", "half"]
