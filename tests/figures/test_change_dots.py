"""Changes as dots on one scale."""

from typing import Any

import pytest

from arcdrift.figures.change_dots import MOST_ROWS, change_dots

NAN = float("nan")


def row(splicer: str, change: float, **values: Any) -> dict[str, Any]:
    return {
        "splicer": splicer, "program": "fixed" if splicer else "", "change": change,
        "low": change - 0.1, "high": change + 0.1, "stands_out": False, "splices": 200,
        "loss_db": 0.04, "before_db": 0.03, "hands_change": 0.0,
    } | values  # fmt: skip


def test_dots_are_sorted_by_change_on_a_scale_of_factors():
    dots = change_dots([row("A", -0.5), row("", 0.0), row("B", 1.0), row("C", NAN)])
    assert [dot.name for dot in dots.rows] == ["The whole crew", "B, fixed", "A, fixed"]
    assert dots.not_compared == ["C, fixed"]
    crew, up, down = dots.rows
    # twice and half lie equally far from no change
    assert up.at - crew.at == pytest.approx(crew.at - down.at, abs=0.02)
    assert up.text == "+100 (+90 to +110) %"
    assert (crew.at, "0 %") in dots.ticks


def test_what_stands_out_is_marked_and_gives_the_title():
    rows = [row("A", 0.3, stands_out=True, hands_change=-0.08), row("B", -0.1)]
    dots = change_dots(rows)
    assert [dot.tone for dot in dots.rows] == ["up", "even"]
    assert dots.title == "A, fixed: loss stands out from its four weeks before"
    assert "200 splices, 0.040 dB each as logged; 0.030 dB" in dots.rows[0].hover
    assert "Other hands alone would change it by \u22128 %." in dots.rows[0].hover
    assert "hands" not in dots.rows[1].hover
    quiet = change_dots([row("B", -0.1)])
    assert quiet.title == "No splicer's loss stands out from its four weeks before"
    assert change_dots([]).rows == []


def test_a_large_crew_shows_its_ends_and_an_interval_beyond_the_scale_is_known():
    rows = [row(f"S{number:02d}", -0.3 + number / 100) for number in range(60)]
    rows[30] |= {"stands_out": True, "high": 9.0}
    dots = change_dots([*rows, row("", 0.0)])
    assert len(dots.rows) == MOST_ROWS + 2  # the crew, and the one in the middle that stands out
    assert len(dots.folded) == 60 - MOST_ROWS - 1
    assert dots.folded_text == "The other 45, between \u221223 % and +22 %"
    (wide,) = [dot for dot in dots.rows if dot.beyond]
    assert (wide.splicer, wide.high) == ("S30", 100.0)
