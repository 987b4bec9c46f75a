"""The Coaching page and a person's page: fair, complete, and silent about those not to be seen."""

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from plotly.utils import PlotlyJSONEncoder

from arcdrift.finding import Cause, Finding
from arcdrift.people import HIDDEN, PURPOSE, People
from arcdrift.settings import load_crew
from arcdrift.store.annotations.coaching import add_note
from arcdrift.store.database.connect import open_store
from dashboard.components import View
from dashboard.downloads import as_csv
from dashboard.pages import TABLES
from dashboard.pages.loss.stream import grid_rows
from dashboard.reading.data import CrewData
from dashboard.url_query import search
from tests.dashboard.invented import findings
from tests.dashboard.invented_prep import PEOPLE
from tests.dashboard.rendering import parts, shown, whole
from tests.dashboard.test_plain_words import crew_with as crew_with_findings


def crew_with(folder: Path, settings: str = "", more_findings: Sequence[Finding] = ()) -> CrewData:
    crew_with_findings(folder, [*findings(), *more_findings])
    toml = folder / "crew.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + settings, encoding="utf-8")
    return CrewData(folder)


def test_the_page_tells_its_purpose_and_lists_people_by_name(data: CrewData):
    page = shown(data, "/coaching")
    assert PURPOSE in page
    table = page[page.index("Against the crew's average") :]
    assert table.index("Alder") < table.index("Birch") < table.index("Cedar")
    assert "+31% +26% to +36%" in page
    assert "1,600" in page


def test_what_stands_out_comes_with_why(data: CrewData):
    page = shown(data, "/coaching")
    assert "Birch Loss above the crew's +31% loss against the crew (+26% to +36%, 1,600" in page
    assert "High angles on both sides" in page
    # whoever does not stand out is not in the list
    assert "Alder Loss above" not in page


def test_what_cannot_be_told_apart_is_said_with_the_way_out(data: CrewData):
    page = shown(data, "/coaching")
    assert "fall into 2 sets that no shared work connects" in page
    assert "Cedar on Plover for 9 days (about 180 splices)" in page
    assert "only 3 days of work" in page
    assert "no cleaves left, about 100 over its 1,000 turn due now" in page


def test_one_person_with_figures_and_practice(data: CrewData):
    page = shown(data, "/person", "?technician=Birch")
    assert PURPOSE in page
    assert "1,600 splices on 40 days" in page
    assert "1.30× 1.24 to 1.36" in page
    newcomer = shown(data, "/person", "?technician=Cedar")
    assert "keep practicing, about 21 more splices" in newcomer
    assert "Loss: 1 bad of 30, open" in newcomer
    assert "What the test promises" in newcomer


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
    assert "No change of loss that chance could not have made" in page
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
NAMING = replace(
    findings()[0],
    kind="loss-scattered",
    summary="Kestrel, in the hands of Alder: the loss rose.",
    next_step="Ask Birch what changed.",
    likely_causes=(Cause("V-grooves", "in the hands of Cedar", 1.0),),
    evidence={"also_seen": ["Birch: loss"], "rows": {"Alder": 3}},
)
"""A finding that names people wherever it can."""


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


@pytest.mark.parametrize("share", ["redo", "bad", "nonsense"])
def test_the_funnel_of_any_share_stands(data: CrewData, share: str):
    page = shown(data, "/coaching", f"?share={share}")
    assert ("typical 1.0%" in page) == (share != "bad")
