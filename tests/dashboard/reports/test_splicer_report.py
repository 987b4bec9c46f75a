"""One splicer's report on the invented crew."""

import re

from arcdrift.verdicts import VERDICTS
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import shown
from tests.dashboard.reports.reported import made, told


def test_verdict_setting_and_reasons_are_those_of_the_page(data: CrewData):
    for splicer in ("Heron", "Kestrel"):
        words, page = (
            told(made(data, "splicer", splicer=splicer)),
            shown(data, "/splicer", f"?splicer={splicer}"),
        )
        advice = data.advice(splicer, None, None, None)
        assert VERDICTS[advice.verdict].words in words
        for reason in advice.reasons:
            assert reason in words
        assert f"In force {advice.setting:g} steps" in words
        for item in advice.start_of_day:
            assert item.words in words
            assert item.words in page


def test_the_arc_and_the_losses_are_drawn_and_nobodys_hands(data: CrewData):
    report = made(data, "splicer", splicer="Kestrel")
    assert report.html.count("<svg") == 2
    words = told(report)
    assert "Loss with single-mode fixed" in words
    assert [name for name in data.technicians() if name in words] == []


def test_a_splicer_without_records_says_so(data: CrewData):
    words = told(made(data, "splicer", splicer="Plover"))
    assert "Cannot tell" in words
    assert re.search(r"No day with work is on record\.|Arc checks of the last \d+ days", words)
