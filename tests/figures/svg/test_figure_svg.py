"""Figures on paper: well-formed, with a mark for every point, nothing left out in silence."""

import re
from collections.abc import Callable
from xml.etree import ElementTree

import pandas as pd
import pytest

from arcdrift.figures.arc_unexplained import ArcChange, unexplained_setting
from arcdrift.figures.crew_weeks import COLUMNS, crew_weeks_chart
from arcdrift.figures.hands import days_with_sessions, hand_dots
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.plain_figure import dots, level_line, line, note, plain_figure
from arcdrift.figures.svg.figure_svg import figure_svg, picture_svg
from arcdrift.figures.svg.svg_marks import SYMBOLS

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '<b>"x"</b><script>alert(1)</script>&'


def root(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)  # noqa: S314 - our own text


def words(svg: str) -> list[str]:
    return ["".join(each.itertext()) for each in root(svg).iter(f"{SVG}text")]


def marks(svg: str) -> int:
    """Marks are the outlines that are moved to their place."""
    return sum("scale(" in each.get("transform", "") for each in root(svg).iter(f"{SVG}path"))


def weeks() -> Picture:
    table = pd.DataFrame(
        [("2026-10-26", 5, 300, 0.034, 2, 3, 290, 1), ("2026-11-02", 5, 310, 0.041, 4, 3, 300, 0)],
        columns=COLUMNS,
    )
    events = pd.DataFrame(
        {
            "at": pd.to_datetime(["2026-11-03 08:00"]),
            "action": ["electrodes replaced"],
            "asset": ["H"],
        }
    )
    return crew_weeks_chart(table, events, accepted_db=0.1, running="2026-11-02")


def unexplained() -> Picture:
    points = pd.DataFrame(
        {
            "at": pd.to_datetime(["2026-10-26", "2026-10-27", "2026-10-28"]),
            "arc_setting": [100.0, 103.0, 104.0],
            "expected": [100.5, 101.0, 101.0],
            "beyond": float("nan"),
            "level": [0, 0, 1],
            "alarm": [False, False, True],
        }
    )
    change = ArcChange(3.0, pd.Timestamp("2026-10-27"), False)
    return unexplained_setting(points, change=change, tolerance=4.0, unit="steps")


def hands() -> Picture:
    rows = pd.DataFrame(
        {
            "splicer": ["Heron", HOSTILE],
            "cleaver": ["C1", "C2"],
            "measure": "angle",
            "effect": [0.2, -0.1],
            "low": [0.1, -0.2],
            "high": [0.3, 0.1],
            "splices": [1200, 80],
            "days": 9,
            "colleagues": 4,
        }
    )
    return hand_dots(rows, "angle")


def sessions() -> Picture:
    rows = pd.DataFrame(
        {
            "day": [f"2026-10-{day:02d}" for day in range(1, 11)],
            "splices": 40,
            "angle_level": [0.3, 0.2, 0.25, 0.3, 0.2, 0.1, 0.05, 0.1, 0.0, 0.1],
        }
    )
    return days_with_sessions(rows, [("2026-10-06", HOSTILE)], "angle")


@pytest.mark.parametrize(
    # those of the key included
    ("make", "points"),
    [(weeks, 4), (unexplained, 5), (hands, 2), (sessions, 10)],
)
def test_every_point_of_a_page_figure_is_a_mark_on_paper(make: Callable[[], Picture], points: int):
    picture = make()
    svg = picture_svg(picture)
    assert marks(svg) == points
    assert root(svg).get("aria-label") == picture.summary
    assert "<script" not in svg
    assert svg == picture_svg(make())


def test_words_are_those_of_the_builder_as_they_are_meant():
    assert "accepted on average 0.10 dB" in words(picture_svg(weeks()))
    assert "0.041 so far" in words(picture_svg(weeks()))
    assert "tolerance ±4.0" in words(picture_svg(unexplained()))
    assert [text for text in words(picture_svg(hands())) if text.startswith('<b>"x"</b>')]
    assert "1,200" in words(picture_svg(hands()))


def test_an_interval_reaches_as_far_as_its_numbers():
    svg = picture_svg(hands())
    bars = [
        tuple(map(float, found))
        for found in re.findall(r'd="M([\d.]+) [\d.]+H([\d.]+)" stroke="#0072B2"', svg)
    ]
    zero, ten = (
        float(found.get("x"))
        for found in root(svg).iter(f"{SVG}text")
        if found.text in ("0 %", "10 %")
    )
    per_percent = (ten - zero) / 10
    spans = sorted(
        (round((a - zero) / per_percent), round((b - zero) / per_percent)) for a, b in bars
    )
    assert spans == [(-20, 10), (10, 30)]


def test_the_scale_holds_lines_across_the_plot():
    """The median colleague's line is seen though every day lies above it."""
    assert "0" in words(picture_svg(sessions()))


def test_symbols_are_those_that_service_has_on_the_pages():
    from arcdrift.figures.events import ACTION_SYMBOLS

    assert set(ACTION_SYMBOLS.values()) <= set(SYMBOLS)


@pytest.mark.parametrize(
    "trace",
    [
        {"type": "bar", "x": [1], "y": [1]},
        dots([1], [1], "red", error_y={"array": [1]}),
        line([1, 2], [1, 2], "red") | {"line": {"color": "red", "shape": "spline"}},
    ],
)
def test_what_paper_cannot_draw_is_an_error(trace):
    figure = plain_figure("light", y_title="", height=200, over_time=False)
    figure["data"].append(trace)
    with pytest.raises(ValueError, match="paper draws no"):
        figure_svg(figure, "")


def test_lines_and_words_stand_where_the_figure_says():
    figure = plain_figure("light", y_title="Loss, dB", height=240, over_time=False)
    figure["layout"]["xaxis"]["range"] = [0, 10]
    figure["layout"]["yaxis"]["range"] = [0, 1]
    shape, text = level_line(0.5, "half", "red", "light")
    figure["layout"]["shapes"].append(shape)
    figure["layout"]["annotations"] += [text, note(5, 1, "a<br>b &amp; c", "red", yanchor="top")]
    figure["data"].append(line([0, 4, 6, 10], [0.5, None, 0.5, 0.5], "blue"))
    svg = figure_svg(figure, "seen")
    (level,) = re.findall(r'd="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)" stroke="red"', svg)
    assert level[1] == level[3] == f"{12 + (200 - 12) / 2:g}"  # half way up the plot
    assert float(level[2]) == 720 - 14
    assert svg.count('stroke="blue"') == 1  # a point alone draws no line
    assert "ab & c" in words(svg)


def test_nothing_to_draw_is_said_and_not_drawn():
    with pytest.raises(ValueError, match="nothing to draw"):
        picture_svg(nothing("No splices.", pd.DataFrame()))


def test_marks_of_service_have_a_key_where_no_pointer_tells_them():
    svg = picture_svg(weeks())
    assert "electrodes replaced" in words(svg)
    assert float(root(svg).get("viewBox").split()[3]) == 280 + 18
    assert "alarm" in words(picture_svg(unexplained()))
    assert float(root(picture_svg(sessions())).get("viewBox").split()[3]) == 280
