"""The stream page's single splices far out, and the loss that is accepted of it."""

from pathlib import Path

import pytest
from dash import Dash

from arcdrift.settings import Acceptance
from dashboard.pages.loss.outlier_card import MOST_SHOWN, accepted_loss
from dashboard.reading.data import CrewData
from tests.dashboard.invented import CREW_TOML, write_crew
from tests.dashboard.rendering import parts, shown, whole

KESTREL = "?splicer=Kestrel&program=single-mode+fixed"


def card(data: CrewData, query: str) -> str:
    words = shown(data, "/loss", query)
    return words.rpartition("Single splices far out")[2].partition("Usual level")[0]


def test_the_newest_are_listed_in_local_time_with_limit_technician_and_place(data: CrewData):
    words = card(data, KESTREL)
    # 08:00 UTC is 10:00 in Oslo in June
    assert "13 Jun 2025 10:00 0.69 0.24 Alder =closure 12 12 Jun 2025 10:00 0.68" in words
    assert words.count("Alder") == MOST_SHOWN
    assert f"{20 - MOST_SHOWN} older ones are in the CSV." in words


def test_it_says_what_the_limit_is_and_that_these_are_no_alarms(data: CrewData):
    words = card(data, KESTREL)
    assert "The limit now is 0.24 dB, learned from the 320 splices up to 30 Apr 2025." in words
    assert "Of 1,060 splices judged so far 20 were far out." in words
    assert "do not count against the false-alarm budget" in words


def test_without_a_limit_or_an_exception_it_says_so(data: CrewData):
    assert "None in this period." in card(data, "?splicer=Heron&program=single-mode+adaptive")
    young = card(data, "?splicer=Plover&program=single-mode+adaptive")
    assert "There is no limit now. Only 60 so far; a limit needs 100." in young
    assert "judged so far" not in young


def test_a_time_leads_to_its_day(data: CrewData):
    links = [str(getattr(part, "href", "")) for part in parts(whole(data, "/loss", KESTREL))]
    assert f"/loss{KESTREL}&day=2025-06-12" in links


def test_the_period_is_that_of_the_page(data: CrewData):
    assert "13 Jun 2025" in card(data, f"{KESTREL}&period=30")
    assert card(data, f"{KESTREL}&period=all").count("Alder") == MOST_SHOWN


def test_the_csv_has_them_all_and_no_formula(app: Dash):
    answer = app.server.test_client().get(f"/csv/loss/exceptions.csv{KESTREL}")
    lines = answer.text.strip().splitlines()
    assert lines[0] == "spliced_at,loss_db,limit_db,technician,location,day"
    assert len(lines) == 21
    assert "'=closure 12" in lines[1]


def test_pseudonyms_reach_the_list_and_its_csv(tmp_path: Path):
    write_crew(tmp_path)
    (tmp_path / "crew.toml").write_text(f"{CREW_TOML}\n[prep]\npseudonyms = true\n", "utf-8")
    data = CrewData(tmp_path)
    words = card(data, KESTREL)
    assert "Alder" not in words
    assert data.people.shown("Alder") in words


@pytest.mark.parametrize(
    ("rules", "said", "source"),
    [
        ({}, "0.10 dB on average, 0.30 dB for one splice", "Neither was seen in the standard"),
        (
            {"single_db": 0.2},
            "0.10 dB on average, 0.20 dB for one splice",
            "second-hand). Not seen",
        ),
        (
            {"average_db": 0.05, "single_db": 0.2},
            "0.05 dB on average, 0.20 dB for one splice",
            "Accepted loss: Your contract comes first",
        ),
        (
            {"overrides": [{"program": "single-mode fixed", "single_db": 0.15}]},
            "0.10 dB on average, 0.15 dB for one splice",
            "ITU-T L.12",
        ),
        (
            {"overrides": [{"fibers": ["A", "B"], "single_db": 0.5}]},
            "0.10 dB on average, 0.30 dB for one splice, other limits for some fibers",
            "TIA-568",
        ),
        (
            {"overrides": [{"fibers": ["A", "B"], "program": "other", "single_db": 0.5}]},
            "0.10 dB on average, 0.30 dB for one splice",
            "TIA-568",
        ),
    ],
)
def test_accepted_loss_is_named_with_its_source(rules, said, source):
    words, told = accepted_loss(Acceptance.model_validate(rules), "single-mode fixed")
    assert words == said
    assert source in told


def test_the_page_names_the_accepted_loss(data: CrewData):
    words = shown(data, "/loss", KESTREL)
    assert "Accepted loss 0.10 dB on average, 0.30 dB for one splice" in words
