"""The picture of why a clock is taken to be wrong, from splices that are known."""

from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from arcdrift.analysis.clock.clock_evidence import ClockEvidence, CountedSplice
from arcdrift.figures.theme import colors
from arcdrift.figures.wrong_clock import wrong_clock

OSLO = ZoneInfo("Europe/Oslo")
NOW = pd.Timestamp("2026-06-01", tz="UTC")
LOGGED = pd.to_datetime(
    ["2026-05-12 07:00", "2026-05-12 07:30", "2026-05-12 01:00", "2026-05-12 01:30"], utc=True
).as_unit("us")


def evidence(proof: Any = "back") -> ClockEvidence:
    rows = pd.DataFrame(
        {"count": [7.0, 8.0, 9.0, 10.0], "logged": LOGGED, "wrong": [False, False, True, True]}
    )
    step = CountedSplice(8.0, LOGGED[1]), CountedSplice(9.0, LOGGED[2])
    return ClockEvidence(rows, "splice_number", proof, step, LOGGED[3])


def traces(figure: Any) -> dict[str, dict[str, Any]]:
    return {str(trace["marker"]["symbol"]): trace for trace in figure["data"] if "marker" in trace}


def labels(figure: Any) -> list[str]:
    return [words["text"] for words in figure["layout"]["annotations"]]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_each_splice_stands_at_its_number_and_time(scheme: Any):
    picture = wrong_clock(evidence(), OSLO, timedelta(hours=7), NOW, scheme=scheme)
    figure: Any = picture.figure
    marks = traces(figure)
    assert marks["circle"]["x"] == ["2026-05-12T09:00:00", "2026-05-12T09:30:00"]
    assert marks["circle"]["y"] == [7, 8]
    assert marks["diamond"]["x"] == ["2026-05-12T03:00:00", "2026-05-12T03:30:00"]
    assert marks["diamond"]["y"] == marks["circle-open"]["y"] == [9, 10]
    assert marks["circle-open"]["x"] == ["2026-05-12T10:00:00", "2026-05-12T10:30:00"]
    c = colors(scheme)
    assert marks["diamond"]["marker"]["color"] == c.rise
    (band,) = figure["layout"]["shapes"]
    assert (band["y0"], band["y1"], band["fillcolor"]) == (8.5, 10.5, c.onset)
    assert labels(figure) == ["as logged", "7 h later", "clock right"]
    layout = figure["layout"]
    titles = [layout[axis]["title"]["text"] for axis in ("xaxis", "yaxis")]
    assert titles == ["Logged time, local", "Splice number"]
    assert picture.summary == (
        "Splice 9 was made after splice 8, yet its logged time is 6 h 30 min earlier. Diamonds: 2 "
        "splices kept apart; open circles: the same, 7 h later."
    )
    assert picture.table["with_shift"].isna().tolist() == [True, True, False, False]


def test_every_label_and_mark_lies_within_the_axis():
    for shift in (timedelta(hours=7), -timedelta(days=900), timedelta(days=9131)):
        figure: Any = wrong_clock(evidence(), OSLO, shift, NOW).figure
        low, high = map(pd.Timestamp, figure["layout"]["xaxis"]["range"])
        places = [time for trace in figure["data"] for time in trace["x"]]
        places += [words["x"] for words in figure["layout"]["annotations"]]
        assert all(low < pd.Timestamp(place) < high for place in places)


def test_without_a_suggestion_nothing_is_drawn_as_moved():
    picture = wrong_clock(evidence(), OSLO, None, NOW)
    assert "circle-open" not in traces(picture.figure)
    assert labels(picture.figure) == ["as logged", "clock right"]
    assert "open circles" not in picture.summary


def test_the_present_is_marked_where_times_lie_beyond_it():
    now = pd.Timestamp("2026-05-12 00:20", tz="UTC")
    figure: Any = wrong_clock(evidence("future"), OSLO, None, now).figure
    assert "now" in labels(figure)
    assert figure["layout"]["shapes"][0]["x0"] == "2026-05-12T02:20:00"
