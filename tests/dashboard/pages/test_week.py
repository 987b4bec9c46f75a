"""The Week page on the invented crew: now is Friday 13 June 2025 in week 24."""

import pytest

from dashboard.components import View
from dashboard.pages.week import week
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import parts, shown, whole


def test_the_last_week_that_is_over_is_told_in_three_sentences_before_any_chart(data: CrewData):
    words = shown(data, "/week")
    assert words.startswith("Week 23 2 to 8 Jun 2025.")
    assert "Worse" in words
    assert "More loss: Kestrel, single-mode fixed +28 (+12 to +46) %" in words
    assert words.index("Done") < words.index("loss stands out from its four weeks before")
    assert "Too few splices to compare: Plover, single-mode adaptive." in words
    assert "100 (72 to 100) %" in words  # of the arc checks: 10 of 10 workdays, Wilson
    assert "10 of 10 workdays" in words
    assert "▲ +28 (+12 to +46) %" in words


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("?week=2025-W22", "Week 22 26 May to 1 Jun 2025."),
        ("?week=2025-W24", "Week 24, so far 9 to 15 Jun 2025."),
        ("?week=2031-W10", "Week 23"),
        ("?week=2025-W99", "Week 23"),
        ("?week=1969-W02", "Week 23"),
        ("?week=%3Cscript%3E", "Week 23"),
        ("?week=2024-W10", "To the last week with splices, 2 to 8 Jun 2025"),
    ],
)
def test_other_weeks_have_addresses(data: CrewData, query: str, said: str):
    assert said in shown(data, "/week", query)


def test_the_running_week_has_no_next_one_and_rows_lead_to_the_charts(data: CrewData):
    page = list(parts(whole(data, "/week", "?week=2025-W24")[0]))
    links = [part.href for part in page if type(part).__name__ == "Link"]
    assert "/week?week=2025-W23" in links
    assert "/week?week=2025-W25" not in links
    links = [p.href for p in parts(whole(data, "/week")[0]) if type(p).__name__ == "Link"]
    assert "/loss?splicer=Kestrel&program=single-mode+fixed" in links


def test_the_table_behind_it_is_that_of_the_week(data: CrewData):
    run = data.run()
    assert run is not None
    table = week.TABLES["changes"](View(data, run, {"week": "2025-W22"}, "light"))
    assert set(table["week"]) == {"2025-05-26"}
    assert len(table) == 4
