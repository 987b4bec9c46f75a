"""Titles that say what is seen."""

from dataclasses import replace
from datetime import date

from arcdrift.figures.loss_titles import LossChange, change_title, crew_title

RISE = LossChange(0.28, date(2026, 10, 19), date(2026, 11, 3), is_open=True)


def closed(back: date | None, **more: object) -> LossChange:
    return LossChange(0.28, date(2026, 10, 19), date(2026, 11, 3), False, back, **more)  # type: ignore[arg-type]


def test_an_open_change_is_told_since_its_onset():
    assert change_title("Dunlin", [RISE]) == "Dunlin: up 28 % since 19 Oct 2026"
    fall = LossChange(-0.3, date(2026, 9, 1), date(2026, 9, 9), is_open=True, whole="all programs")
    assert change_title("Dunlin", [fall]) == "Dunlin: all programs down 30 % since 1 Sep 2026"
    helped = replace(RISE, relief="better after v-grooves cleaned on 6 Nov 2026")
    assert change_title("Dunlin", [helped]) == (
        "Dunlin: up 28 % since 19 Oct 2026, better after v-grooves cleaned on 6 Nov 2026"
    )
    # the open one is told even where a closed one came later
    late = LossChange(0.1, date(2026, 11, 1), date(2026, 11, 3), is_open=False)
    assert "up 28 %" in change_title("Dunlin", [late, RISE])


def test_a_change_that_is_over_is_told_with_its_end():
    title = change_title("Dunlin", [closed(date(2026, 11, 6))])
    assert title == "Dunlin: up 28 % from 19 Oct 2026, back to usual since 6 Nov 2026"
    assert change_title("Dunlin", [closed(None)]).endswith("(last alarm 3 Nov 2026)")


def test_without_a_change_the_last_days_are_told_against_the_usual():
    assert change_title("Dunlin", [], 0.03) == "Dunlin: as usual (+3 % in the last 10 days)"
    assert change_title("Dunlin", [], -0.31) == "Dunlin: no alarm; the last 10 days \u221231 %"
    assert change_title("Dunlin", []) == "Dunlin: too few days to say what is usual"


def test_the_crews_week_is_told_against_the_four_before():
    assert crew_title(0.037, 0.0371) == (
        "The crew: 0.037 dB a splice in the last week, as in the four before"
    )
    assert "up 25 % on the four before" in crew_title(0.05, 0.04)
    assert crew_title(0.05, None) == "The crew: 0.050 dB a splice in the last week"
