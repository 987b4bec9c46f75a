"""The Coaching page and a person's page: fair, complete, and silent about those not to be seen."""

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from plotly.utils import PlotlyJSONEncoder

from arcdrift.finding import Finding
from arcdrift.people import HIDDEN, PURPOSE, People
from arcdrift.settings import load_crew
from arcdrift.store.annotations.coaching import add_note
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from dashboard.callbacks import screen
from dashboard.components import View
from dashboard.downloads import as_csv
from dashboard.pages import TABLES
from dashboard.pages.loss.stream import grid_rows
from dashboard.reading.data import CrewData
from dashboard.url_query import search
from tests.dashboard.invented import NAMING, findings, results
from tests.dashboard.invented_prep import PEOPLE
from tests.dashboard.rendering import parts, shown, text, whole
from tests.dashboard.test_plain_words import crew_with as crew_with_findings


def crew_with(folder: Path, settings: str = "", more_findings: Sequence[Finding] = ()) -> CrewData:
    crew_with_findings(folder, [*findings(), *more_findings])
    toml = folder / "crew.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + settings, encoding="utf-8")
    return CrewData(folder)


def test_the_first_screen_says_whom_to_see_about_what(data: CrewData):
    page = shown(data, "/coaching")
    assert page.startswith("Coaching 2 people to see this week, by name. Birch Cleaving")
    first = page.partition("Sessions and what came of them")[0]
    assert "Cleave angles 60 (50 to 70) % above the median colleague's, on both sides." in first
    assert "Cleave angles above the median colleague's on 2 of 2 splicers" in first
    assert "Practice. Cleave ten fibers together" in first
    assert "Last session: none noted yet." in first
    assert "Cedar Sign-off 1,600 production splices made without a sign-off since" in first
    # whoever does not stand out is not on it, nor is a rank
    assert "Alder" not in first
    assert PURPOSE in page


def test_everybody_stands_by_name_below(data: CrewData):
    page = shown(data, "/coaching")
    table = page[page.index("Against the median colleague on the same splicers") :]
    assert table.index("Alder") < table.index("Birch") < table.index("Cedar")
    assert "+31 % +26 to +36" in page
    assert "1,600" in page
    assert "funnel" not in page.lower()


def test_what_cannot_be_told_apart_is_said_with_the_way_out(data: CrewData):
    page = shown(data, "/coaching")
    assert "fall into 2 sets that no shared work connects" in page
    assert "Cedar on Plover for 9 days (about 180 splices)" in page
    assert "only 3 days of work" in page
    assert "Splicer and cleaver cannot be separated" in page


def test_a_figure_that_differs_by_nothing_says_so(tmp_path: Path):
    data = crew_with(tmp_path)
    people = results()["result_people"]
    nothing = people["measure"] == "angle"
    plain = pd.DataFrame([{"who": "splicer", "name": "Heron", "measure": "uneven", "days": 60,
                           "splices": 2400, "connected": 0, "effect": 1e-9, "low": -1e-9,
                           "high": 2e-9, "sure": 0.0, "note": None}])  # fmt: skip
    engine = open_store(tmp_path)
    changed = pd.concat([people[~nothing], plain], ignore_index=True)
    replace_results(engine, results() | {"result_people": changed})
    engine.dispose()
    page = shown(data, "/coaching")
    assert "no difference that can be separated" in page
    assert "0 % 0 to 0" not in page


def test_one_person_with_topic_evidence_practice_and_the_rest_folded(data: CrewData):
    page = shown(data, "/person", "?technician=Birch")
    assert PURPOSE in page
    first = page.partition("The splices behind it")[0]
    assert "What to work on Cleaving Cleave angles 60 (50 to 70) %" in first
    assert "Practice." in first
    assert "No session is noted yet." in first
    assert "1,600 splices on 40 days" in page
    assert "1.30× 1.24 to 1.36" in page
    newcomer = shown(data, "/person", "?technician=Cedar")
    assert "keep practicing, about 21 more splices" in newcomer
    assert "Loss: 1 bad of 30, open" in newcomer
    assert "What the test promises" in newcomer
    folds = [part for part in parts(whole(data, "/person", "?technician=Birch"))
             if getattr(part, "className", "") == "card fold"]  # fmt: skip
    assert len(folds) >= 5
    assert not any(getattr(part, "open", False) for part in folds)


def test_the_page_to_show_has_no_colleague_no_form_and_no_remark(tmp_path: Path):
    data = crew_with(tmp_path)
    engine = open_store(tmp_path)
    add_note(engine, "Birch", date(2025, 5, 5), "cleaving", "was in a bad mood", "Lead")
    engine.dispose()
    page = screen(data, "/person", "?technician=Birch&show=1", "light")
    told = json.dumps(page, cls=PlotlyJSONEncoder)
    words = " ".join(text(page).split())
    assert words.startswith("← Birch Birch: your work 1,600 splices on 40 days.")
    assert "Cleave angles 60 (50 to 70) % above the median colleague's" in words
    assert "Sessions and what came of them cleaving 5 May 2025" in words
    assert "Alder" not in told
    assert "Cedar" not in told
    assert "bad mood" not in told
    assert not any("note-save" in str(getattr(part, "id", "")) for part in parts(page))


def test_nobody_by_that_name(data: CrewData):
    assert "Nobody named Zelkova is on record" in shown(data, "/person", "?technician=Zelkova")
    assert "Choose a name" in shown(data, "/person")


def test_the_coaching_log_shows_what_changed_after(tmp_path):
    data = crew_with(tmp_path)
    engine = open_store(tmp_path)
    add_note(engine, "Birch", date(2025, 5, 5), "cleaving", "fiber laid flat", "Lead")
    engine.dispose()
    page = shown(data, "/person", "?technician=Birch")
    assert "fiber laid flat" in page
    assert "no more than chance" in page
    both = shown(data, "/coaching").partition("Sessions and what came of them")[2]
    assert both.index("cleaving 5 May 2025, by Lead") < both.index("no more than chance")
    assert "does not prove the coaching" in page
    assert "fiber laid flat" not in shown(data, "/person", "?technician=Alder")


STREAM = {"splicer": "Kestrel", "program": "single-mode fixed"}
PAGES = [
    *(
        ("/" + path, "")
        for path in ("", "coaching", "person", "checks", "cases", "upkeep", "loss", "budget")
    ),
    ("/splicer", "?splicer=Kestrel"),
    ("/loss", search(STREAM)),
    ("/loss", "?subject=technician:Birch"),
    (f"/cases/{findings()[0].id}", ""),
]


def assert_nobody_named(data: CrewData, technician: str) -> None:
    """Check that no page, no block of a long table and no export holds a name."""
    run = data.run()
    told = {
        (path, query): json.dumps(whole(data, path, query), cls=PlotlyJSONEncoder)
        for path, query in [*PAGES, (f"/cases/{NAMING.id}", "")]
    }
    block = grid_rows(data, *STREAM.values(), "", {"startRow": 0, "endRow": 100})
    told["block", ""] = json.dumps(block["rowData"])
    for key, table in TABLES.items():
        if key[0] == "budget" and key[1] != "alarms":
            continue  # the other tables of that page are of charts, and slow
        person = key[0] in ("coaching", "person")
        query = {"technician": technician} if person else STREAM | {"subject": "technician:Birch"}
        told[key] = as_csv(table(View(data, run, query, "light")))
    people = re.compile("|".join(PEOPLE))
    leaks = {where: people.findall(text) for where, text in told.items()}
    # an address is repeated as it was typed
    allowed = {("/loss", "?subject=technician:Birch")}
    assert {where for where, names in leaks.items() if names} <= allowed


def test_pseudonyms_hide_every_name_on_every_page_and_export(tmp_path):
    data = crew_with(tmp_path, "[prep]\npseudonyms = true\n", [NAMING])
    birch = People(load_crew(tmp_path)).shown("Birch")
    assert "1,600 splices on 40 days" in shown(data, "/person", f"?technician={birch}")
    assert "Nobody named Birch" in shown(data, "/person", "?technician=Birch")
    assert_nobody_named(data, birch)
    page = shown(data, "/loss", search(STREAM))
    assert "Technician" in page


def test_people_can_be_kept_off_every_screen_and_export(tmp_path):
    data = crew_with(tmp_path, "[prep]\nperson_pages = false\n", [NAMING])
    assert HIDDEN in shown(data, "/coaching")
    assert HIDDEN in shown(data, "/person", "?technician=Birch")
    assert_nobody_named(data, "Birch")
    assert "in the hands of one person: the loss rose." in shown(data, "/cases")
    # splicers and blades are no people
    assert "Heron" in shown(data, "/coaching")
    assert "Technician" not in shown(data, "/loss", search(STREAM))


def test_a_finding_about_a_person_leads_to_their_page_or_is_not_shown(tmp_path):
    about = replace(
        findings()[0], kind="cleave-raised", subject_type="technician", subject_id="Birch",
        summary="Birch: angles are high.",
    )  # fmt: skip
    data = crew_with_findings(tmp_path / "open", [about])
    page = whole(data, f"/cases/{about.id}")
    links = [str(getattr(part, "href", "")) for part in parts(page)]
    assert "/person?technician=Birch" in links
    toml = tmp_path / "open" / "crew.toml"
    toml.write_text(toml.read_text() + "[prep]\nperson_pages = false\n", encoding="utf-8")
    assert "Birch" not in shown(CrewData(tmp_path / "open"), "/cases")


@pytest.mark.parametrize("share", ["first_time", "redo", "bad", "nonsense"])
def test_the_picture_of_any_share_stands(data: CrewData, share: str):
    page = shown(data, "/coaching", f"?share={share}")
    assert ("typical 1.0 %" in page) == (share != "bad")
