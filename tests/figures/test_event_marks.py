"""Event marks: one a day, no more than can be told apart, and all of them counted."""

import pandas as pd
import plotly.graph_objects as go

from arcdrift.figures.crew_weeks import crew_weeks, crew_weeks_chart
from arcdrift.figures.events import (
    LARGE,
    MOST_GATHERED,
    MOST_LINES,
    gather_marks,
    mark_events,
)

FIRST, LAST = pd.Timestamp("2026-01-01"), pd.Timestamp("2026-12-31")


def events(*rows: tuple[str, str, str]) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows), columns=["at", "action", "asset"])
    return frame.assign(at=pd.to_datetime(frame["at"]))


def daily(days: int, action: str, asset: str = "Heron") -> pd.DataFrame:
    at = pd.date_range("2026-01-01 06:00", periods=days, freq="D")
    return pd.DataFrame({"at": at, "action": action, "asset": asset})


def test_a_day_is_one_mark_by_its_weightiest_event_and_lists_all():
    marks = gather_marks(
        events(
            ("2026-03-02 06:00", "cleaned", "Kestrel"),
            ("2026-03-02 07:00", "electrodes replaced", "Heron"),
            ("2026-03-02 08:00", "cleaned", "Osprey"),
            ("2026-03-09 06:00", "blade rotated", "C1"),
            ("2027-01-01 06:00", "cleaned", "Heron"),
        ),
        FIRST, LAST,
    )  # fmt: skip
    assert list(marks.rows["action"]) == ["electrodes replaced", "blade rotated"]
    assert marks.rows["hover"].iloc[0] == (
        "2 Mar 2026<br>electrodes replaced: Heron<br>cleaned: Kestrel, Osprey"
    )
    assert marks.sentence == (
        "Marks along the top: electrodes replaced (1), blade rotated (1), cleaned (2)."
    )


def test_events_of_one_machine_on_days_of_their_own_need_no_words():
    marks = gather_marks(daily(5, "cleaned"), FIRST, LAST)
    assert (len(marks.rows), marks.sentence) == (5, "")


def test_small_events_give_way_where_there_are_too_many():
    busy = pd.concat([daily(200, "cleaned"), events(("2026-02-01", "blade replaced", "C1"))])
    marks = gather_marks(busy, FIRST, LAST)
    assert list(marks.rows["action"]) == ["blade replaced"]
    assert marks.sentence == (
        "Marks along the top: blade replaced (1). Not marked, as they are too many: cleaned (200)."
    )


def test_no_chart_has_more_marks_than_can_be_told_apart_and_none_is_lost():
    for busy in (daily(300, "electrodes replaced"), daily(90, "cleaned")):
        marks = gather_marks(busy, FIRST, LAST)
        assert MOST_GATHERED // 2 <= len(marks.rows) <= MOST_GATHERED
        times = marks.rows["hover"].str.extract(r"\((\d+) times\)")[0].fillna("1").astype(int)
        assert times.sum() == len(busy)
        assert marks.rows["at"].is_monotonic_increasing
    assert "One mark gathers up to 5 days, a larger one more events." in marks.sentence
    assert marks.rows["hover"].iloc[0].startswith("1 Jan 2026 to 5 Jan 2026<br>cleaned (5 times)")


def test_a_mark_of_several_days_grows_with_its_events():
    busy = pd.concat([daily(40, "blade replaced"), *[daily(2, "blade replaced", "C2")] * 4])
    sizes = gather_marks(busy, FIRST, LAST).rows["size"]
    assert sizes.iloc[0] == LARGE
    assert (sizes.iloc[1:] < sizes.iloc[0]).all()


def test_many_names_are_cut_short():
    busy = pd.concat([daily(1, "cleaned", f"S{i}") for i in range(9)])
    assert (
        gather_marks(busy, FIRST, LAST).rows["hover"].iloc[0].endswith("S0, S1, S2, S3 and 5 more")
    )


def test_lines_stop_where_they_would_hide_the_data():
    for days, lines in ((MOST_LINES, MOST_LINES), (MOST_LINES + 1, 0)):
        figure = go.Figure()
        mark_events(figure, daily(days, "blade replaced"), first=FIRST, last=LAST, scheme="light")
        assert len(figure.layout.shapes) == lines
        assert len(figure.data[0].x) == days


def test_the_crew_s_trend_carries_marks_and_says_how_many():
    days = pd.DataFrame(
        {"day": ["2026-01-01", "2026-01-02"], "splices": 20, "mean_db": 0.03, "median_db": 0.02,
         "p95_db": 0.08, "over_010": 1, "errors": 0, "places": 20, "again": 1}
    )  # fmt: skip
    done = events(
        ("2026-01-01 06:00", "cleaned", "Heron"), ("2026-01-02 06:00", "blade rotated", "C1"),
        ("2026-02-09 06:00", "cleaned", "Heron"),
    )  # fmt: skip
    picture = crew_weeks_chart(crew_weeks(days), done, accepted_db=0.1)
    assert {"cleaned", "blade rotated"} <= {one.get("name") for one in picture.figure["data"]}
    assert picture.summary.endswith("Marks along the top: blade rotated (1), cleaned (1).")
    assert "Marks" not in crew_weeks_chart(crew_weeks(days), accepted_db=0.1).summary
