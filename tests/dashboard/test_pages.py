"""Every page as it is built from an address: texts, order, ids."""

import json
import os
import sqlite3
from collections import Counter
from pathlib import Path

import pytest

from arcdrift.analysis.advice.advice import CAUTIONS
from arcdrift.store.database.connect import open_store
from dashboard import ids
from dashboard.callbacks import followed
from dashboard.pages.findings.evidence import evidence_words
from dashboard.pages.findings.finding_words import onset_words
from dashboard.pages.loss.stream import grid_rows
from dashboard.reading.data import CrewData
from dashboard.shell import shell
from tests.dashboard.invented import CREW_TOML, findings
from tests.dashboard.rendering import parts, shown, whole
from tests.dashboard.test_plain_words import crew_with

ADDRESSES = [
    ("/", ""),
    ("/cases", ""),
    ("/cases/revisit", ""),
    ("/cases/none", ""),
    ("/week", ""),
    ("/loss", ""),
    ("/loss", "?splicer=Kestrel&program=single-mode+fixed&day=2025-06-12&period=30"),
    ("/splicer", ""),
    ("/splicer", "?splicer=Kestrel&temperature=20&period=all"),
    ("/checks", "?period=90&splicer=Kestrel"),
    ("/coaching", ""),
    ("/person", "?technician=Birch"),
    ("/cases", ""),
    (f"/cases/{findings()[0].id}", ""),
    ("/loss", "?subject=technician:Birch"),
    ("/loss", "?subject=stream:Kestrel+/+single-mode+fixed&measure=dirty"),
    ("/loss", "?subject=site:Nowhere"),
    ("/budget", ""),
    ("/budget", "?budget=none"),
    ("/elsewhere", ""),
]
if os.environ.get("ARCDRIFT_LONG") == "1":
    ADDRESSES += [
        ("/loss", "?splicer=Kestrel&program=single-mode+fixed"),
        ("/loss", "?splicer=Plover&program=single-mode+adaptive"),
        ("/loss", "?subject=crew:crew&measure=level&period=all"),
        ("/person", ""),
        ("/budget", "?budget=5&period=all"),
        ("/budget", "?loss_raised=90"),
    ]


@pytest.mark.parametrize(("path", "query"), ADDRESSES)
def test_ids_are_unique_on_every_screen(data: CrewData, path: str, query: str):
    everything = [shell(data.crew, "light", "1"), whole(data, path, query)]
    seen = Counter(
        json.dumps(part.id, sort_keys=True) for part in parts(everything) if hasattr(part, "id")
    )
    assert [name for name, count in seen.items() if count > 1] == []


def test_the_names_in_the_one_list_of_ids_differ():
    names = [value for name, value in vars(ids).items() if name.isupper()]
    assert len(names) == len(set(names))


def test_callbacks_are_never_left_unchecked(app):
    assert app.config.suppress_callback_exceptions is False


@pytest.mark.parametrize(("path", "query"), ADDRESSES)
@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.long)])
def test_every_page_has_one_title_and_charts_have_words(data, path, query, scheme):
    page = list(parts(whole(data, path, query, scheme)[0]))
    assert sum(getattr(part, "order", None) == 1 for part in page) == 1
    pictures = [part for part in page if getattr(part, "role", None) == "img"]
    assert all(len(getattr(part, "aria-label")) > 40 for part in pictures)
    assert len(pictures) == sum(type(part).__name__ == "Graph" for part in page)


def test_every_page_says_how_far_the_data_reach(data: CrewData):
    for path in ("/", "/loss", "/splicer", "/checks", "/cases"):
        assert "State of 13 Jun 2025, 14:00. Analyzed 13 Jun 2025, 14:00" in shown(data, path)


def test_loss_leads_with_the_stream_that_needs_a_look(data: CrewData):
    words = shown(data, "/loss")
    first = words.partition("the largest rise first")[2]
    assert first.index("Kestrel single-mode fixed") < first.index("Heron single-mode adaptive")
    assert "One more has too few days yet" in first


def test_one_stream_tells_state_numbers_and_finding(data: CrewData):
    words = shown(data, "/loss", "?splicer=Kestrel&program=single-mode+fixed")
    assert "Usual loss 0.040 dB a splice; last 10 days" in words
    assert "1,200 on 60 days" in words
    assert "Loss has risen" in words
    assert "1,200 splices" in words


def test_a_stream_that_does_not_exist_is_said_kindly(data: CrewData):
    words = shown(data, "/loss", "?splicer=Heron&program=single-mode+fixed")
    assert "Heron has no splices with program single-mode fixed." in words


def test_splices_come_in_blocks_newest_first(data: CrewData):
    block = grid_rows(data, "Kestrel", "single-mode fixed", "", {"startRow": 100, "endRow": 200})
    assert block["rowCount"] == 1200
    assert len(block["rowData"]) == 100
    # twenty a day: row 100 is the last splice five days earlier, 13:10 in Oslo
    assert block["rowData"][0]["time"] == "8 Jun 2025, 13:10"
    day = grid_rows(
        data, "Kestrel", "single-mode fixed", "2025-06-10", {"startRow": 0, "endRow": 100}
    )
    assert day["rowCount"] == 20
    assert {row["time"][:11] for row in day["rowData"]} == {"10 Jun 2025"}


def test_a_censored_loss_is_shown_as_its_limit(tmp_path):
    data = crew_with(tmp_path, findings())
    with sqlite3.connect(tmp_path / "arcdrift.db") as store:
        store.execute(
            "UPDATE splices SET loss_db = 0.005, loss_below_db = 0.01 "
            "WHERE id = (SELECT max(id) FROM splices WHERE splicer = 'Kestrel')"
        )
    store.close()
    block = grid_rows(data, "Kestrel", "single-mode fixed", "", {"startRow": 0, "endRow": 3})
    # the losses before the last one are those of the invented crew
    assert [row["loss"] for row in block["rowData"]] == ["<0.01", "0.050", "0.040"]


def test_the_reason_of_an_error_stands_beside_it(tmp_path):
    data = crew_with(tmp_path, findings())
    with sqlite3.connect(tmp_path / "arcdrift.db") as store:
        store.execute(
            "UPDATE splices SET outcome = 'error', error_reason = 'FIBER POS' "
            "WHERE id = (SELECT max(id) FROM splices WHERE splicer = 'Kestrel')"
        )
    store.close()
    block = grid_rows(data, "Kestrel", "single-mode fixed", "", {"startRow": 0, "endRow": 2})
    told = [(row["outcome"], row["remark"]) for row in block["rowData"]]
    assert told == [("error", "FIBER POS"), ("done", "")]


def test_splicer_page_leads_with_the_advice(data: CrewData):
    words = shown(data, "/splicer", "?splicer=Kestrel")
    assert words.index("Run the daily check") < words.index("beyond what air and wear explain")
    assert words.index("beyond what air") < words.index("Arc setting found by each check")
    assert "No arc check has passed since this workday began." in words
    for caution in CAUTIONS:
        assert caution in words


def test_the_answer_for_other_air_stands_beside_its_fields_and_is_marked(data: CrewData):
    words = shown(data, "/splicer", "?splicer=Heron&temperature=18&pressure=1008&humidity=55")
    answer = words.partition("Going elsewhere?")[2].partition("The arc setting of each check")[0]
    assert "supposed ✓ Keep working" in answer
    assert "Air supposed: 18 °C, 1,008 hPa, 55 %; typed in" in answer
    # the verdict of the page stays that of the air as it is
    other = shown(data, "/splicer", "?splicer=Kestrel&temperature=18")
    assert "Run the daily check" in other.partition("Going elsewhere?")[0]
    assert "supposed" not in shown(data, "/splicer", "?splicer=Heron")


def test_air_that_cannot_be_is_refused_in_words(data: CrewData):
    assert "Temperature: no such air on earth" in shown(
        data, "/splicer", "?splicer=Heron&temperature=900"
    )


def test_effects_carry_interval_and_unit_and_refusals_their_reason(data: CrewData):
    heron = shown(data, "/splicer", "?splicer=Heron")
    assert "air of this site, over the middle 90 %: -9.0 steps (-11.0 to -7.0)" in heron
    assert "From 58 of 60 checks;" in heron
    assert "Checks not used 2: no air reading" in heron
    kestrel = shown(data, "/splicer", "?splicer=Kestrel")
    assert "Cannot tell yet. 9 checks are too few: 12 are needed." in kestrel


def test_the_checks_that_bend_the_picture_are_told_in_plain_words(data: CrewData):
    heron = shown(data, "/splicer", "?splicer=Heron")
    told = heron[heron.index("Single checks that matter most") :]
    assert "20 May 2025, 07:30 set 62 steps, expected 54.2" in told
    assert "Its setting is 7.8 steps above what air and wear explain." in told
    moves = "This one check moves the air effect by 12 %: without it, the effect would be smaller."
    assert moves in told
    assert told.count("This one check moves the air effect") == 1
    assert "cooks" not in told.lower()


def test_what_no_case_is_about_is_folded_under_the_cases(data: CrewData):
    page = shown(data, "/cases")
    assert "Notes (3): not part of a listed case" in page
    told = page[page.index("Notes (3)") :]
    # what asks for something comes first, with its step; a mere note has none
    assert told.count("Next: ") == 2
    assert "Notes (2)" in shown(data, "/cases", "?subject=splicer:Kestrel")
    assert "Notes (1)" in shown(data, "/cases", "?subject=site:Harbor")
    assert "Notes (" not in shown(data, "/cases", "?subject=splicer:Heron")


def test_one_finding_shows_evidence_causes_onset_and_cautions(data: CrewData):
    words = shown(data, f"/cases/{findings()[0].id}")
    assert "4 Jun 2025 (between 2 Jun 2025 and 5 Jun 2025)" in words
    assert words.index("Arc check missed 70 %") < words.index("V-grooves 30 %")
    assert "Loss since, high values capped 0.064 dB" in words
    assert "First alarm 7 Jun 2025" in words
    assert "power the splicer off" in words
    assert "There is no case gone here." in shown(data, "/cases/gone")


def test_an_unknown_address_offers_the_pages(data: CrewData):
    words = shown(data, "/elsewhere")
    assert "No such page" in words
    assert "Coaching" in words


def test_a_store_without_analysis_says_what_to_do(tmp_path: Path):
    (tmp_path / "crew.toml").write_text(CREW_TOML, encoding="utf-8")
    open_store(tmp_path).dispose()
    assert "Add files" in shown(CrewData(tmp_path), "/")


def test_frames_are_shared_and_left_alone(data: CrewData, crew_folder: Path):
    for path, query in ADDRESSES:
        whole(data, path, query)
    stored = CrewData(crew_folder)
    for name in ("result_check_days", "result_streams", "result_stream_days"):
        assert data.result(name) is data.result(name)
        assert data.result(name).equals(stored.result(name))


def test_filters_leave_defaults_out_of_the_address():
    filters = {("period", "90"): "90", ("splicer", ""): "Heron", ("program", ""): None}
    assert followed({}, filters) == {"splicer": "Heron"}
    assert followed({"program": "single-mode fixed", "day": "2025-06-12"}, filters) == {
        "splicer": "Heron"
    }
    assert followed({"splicer": "Heron", "day": "2025-06-12"}, filters) == {
        "splicer": "Heron",
        "day": "2025-06-12",
    }
    assert followed({}, {("temperature", ""): 12.5}) == {"temperature": "12.5"}


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("loss_before_db", 0.04, ("Loss before, high values capped", "0.04 dB")),
        ("alarms", 3, ("Alarms", "3")),
        ("angle_deg", 2.345678, ("Angle", "2.346 °")),
        ("site_known", None, ("Site known", "not known")),
        ("alarm_ewma", -0.0, ("Evidence at the alarm", "0")),
        ("arcs_on_electrodes", 2718.0, ("Arcs on these electrodes when assessed", "2,718")),
        ("probability_off", 0.002, ("Chance of being off by more than the tolerance", "under 1 %")),
        ("temperature_c_now", 18.5, ("Temperature now", "18.5 °C")),
    ],
)
def test_evidence_reads_with_its_unit(key, value, words):
    assert evidence_words(key, value) == words


def test_an_onset_that_is_not_known_is_not_invented():
    assert onset_words(None) == "not estimated"


def test_a_day_that_is_none_is_said(data: CrewData):
    stream = "?splicer=Kestrel&program=single-mode+fixed&day="
    assert "names no day: 9999-12-31. All days are listed." in shown(
        data, "/loss", f"{stream}9999-12-31"
    )
    assert "names no day" not in shown(data, "/loss", f"{stream}2025-06-12")
