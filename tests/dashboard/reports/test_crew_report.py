"""The reports of a week and a month on the invented crew: now is Friday 13 June 2025."""

import pytest

from arcdrift.errors import UsageError
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import shown
from tests.dashboard.reports.reported import made, told


def test_a_week_tells_what_the_page_tells(data: CrewData):
    words, page = told(made(data, "week")), shown(data, "/week")
    assert "Week 23 2 to 8 Jun 2025." in words
    for both in (
        "More loss: Kestrel, single-mode fixed +28 (+12 to +46) %",
        "100 (72 to 100) %",
        "10 of 10 workdays",
        "▲ +28 (+12 to +46) %",
        "Too few splices to compare: Plover, single-mode adaptive.",
    ):
        assert both in words
        assert both in page


def test_losses_stand_beside_the_accepted_level(data: CrewData):
    words = told(made(data, "week"))
    # 20 splices a day of 0.02 to 0.06 dB on seven equal days
    assert "Kestrel, single-mode fixed 140 0.040 (0.040 to 0.040) dB 0.10 – ✓ within" in words
    assert "Loss: no splicer and program is over the accepted level" in words


def test_the_running_week_ends_at_the_clock_of_the_crew(data: CrewData):
    words = told(made(data, "week", week="2025-W24"))
    assert "Week 24 9 to 15 Jun 2025, so far: up to 13 Jun 2025, 14:00." in words
    assert "As of 13 Jun 2025, 14:00, Europe/Oslo." in words
    # four whole days, and those of today made before 12:00 UTC
    assert "Kestrel, single-mode fixed 100 " in words


def test_a_month_has_its_weeks_and_is_the_last_one_that_is_over(data: CrewData):
    words = told(made(data, "month"))
    assert "May 2025 1 to 31 May 2025." in words
    assert "The crew, week by week" in words
    assert "Kestrel, single-mode fixed 620 " in words  # 31 days
    running = told(made(data, "month", month="2025-06"))
    assert "June 2025 1 to 30 Jun 2025, so far: up to 13 Jun 2025, 14:00." in running


@pytest.mark.parametrize(
    ("kind", "query"),
    [
        ("week", {"week": "2031-W10"}),
        ("week", {"week": "<script>"}),
        ("month", {"month": "2025-13"}),
        ("month", {"month": "2026-01"}),
        ("month", {"since": "2025-06-10", "until": "2025-06-01"}),
        ("month", {"since": "yesterday"}),
        ("month", {"until": "2025-06-01"}),
    ],
)
def test_days_that_there_are_not_are_refused_in_a_sentence(data: CrewData, kind: str, query):
    with pytest.raises(UsageError) as refused:
        made(data, kind, **query)
    assert str(refused.value).endswith(".")


def test_chosen_days_are_told(data: CrewData):
    words = told(made(data, "month", since="2025-05-30", until="2025-06-02"))
    assert "Chosen days 30 May to 2 Jun 2025." in words
    assert "Kestrel, single-mode fixed 80 " in words


def test_a_time_without_splices_says_so(data: CrewData):
    words = told(made(data, "week", week="2024-W10"))
    assert "No production splice with a loss is on record for these days." in words
    assert "No splicer has enough splices in this week" in words
