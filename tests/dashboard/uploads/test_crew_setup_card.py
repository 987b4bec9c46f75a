"""A new crew is set up on the page Records: who is asked, what is saved, what is refused."""

from pathlib import Path
from typing import Any

import pytest
from dash import Dash

from arcdrift.errors import UsageError
from arcdrift.people import Viewer
from arcdrift.settings import Site, Splicer, load_crew
from dashboard.callbacks import screen
from dashboard.pages.records import crew_setup_card
from dashboard.pages.records.crew_setup_card import (
    TypedSetup,
    save,
    setup_form,
    setup_part,
    typed_in,
    with_a_row,
)
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import parts, text
from tests.dashboard.uploads.sending import ROWS, ended, log_text, send, uploads_of

TYPED = TypedSetup(
    "Our crew", "Europe/Oslo", [("Depot", "120"), ("", "")], [("S-01", "Depot", "%"), ("", "", "")]
)


def words(data: CrewData) -> str:
    return " ".join(text(setup_part(data)).split())


@pytest.fixture
def unset(folder: Path) -> Path:
    """A crew folder as `init --yes` leaves it: without a time zone."""
    (folder / "crew.toml").write_text('# ours\nname = "Try"\n', encoding="utf-8")
    return folder


def test_a_lead_is_led_on_and_others_hear_who_sets_up(unset: Path) -> None:
    lead = CrewData(unset)
    assert "Set up (now) 2 Add files (later) 3 First verdict (later)" in words(lead)
    assert "Set up the crew" in words(lead)
    for role in ("technician", "trainer"):
        theirs = words(lead.seen_by(Viewer(role, None)))  # type: ignore[arg-type]
        assert theirs == "A lead sets this crew up first: its time zone, sites and splicers."


def test_a_set_up_is_saved_and_the_next_step_is_files(unset: Path) -> None:
    data = CrewData(unset)
    assert save(data, TYPED) == ""
    crew = load_crew(unset)
    assert (crew.name, crew.time_zone) == ("Our crew", "Europe/Oslo")
    assert crew.sites == {"Depot": Site(elevation_m=120)}
    assert crew.splicers == {"S-01": Splicer(home_site="Depot", setting_unit="%")}
    assert "# ours" in (unset / "crew.toml").read_text(encoding="utf-8")
    newer = data.under_newer_settings()
    assert newer is not None
    assert "Set up (done) 2 Add files (now)" in words(newer)
    assert "Our crew, Europe/Oslo, 1 site, 1 splicer. Change it" in words(newer)
    fields = [part for part in parts(setup_part(newer)) if "setup-field" in str(vars(part))]
    stored = typed_in((part.id, part.value) for part in fields if hasattr(part, "value"))
    assert stored == TypedSetup(
        "Our crew", "Europe/Oslo", [("Depot", "120")], [("S-01", "Depot", "%")]
    )


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"name": " "}, "The name is blank"),
        ({"time_zone": ""}, "Choose the time zone"),
        ({"sites": [("Depot", "7000")]}, "between -430 and 6,000 m"),
        ({"sites": [("Depot", ""), ("Depot", "")]}, "stands there twice"),
        ({"splicers": [("S-01", "Yard", "steps")]}, "The home site 'Yard' is not one of the sites"),
    ],
)
def test_what_cannot_be_is_said_and_not_saved(
    changed: dict[str, Any], sentence: str, unset: Path
) -> None:
    before = (unset / "crew.toml").read_bytes()
    typed = TYPED._replace(**changed)
    problem = save(CrewData(unset), typed)
    assert sentence in problem
    assert sentence in text(setup_form(typed, problem))
    assert (unset / "crew.toml").read_bytes() == before


def test_rows_are_added_below_what_is_typed() -> None:
    more = with_a_row(with_a_row(TYPED, "site"), "splicer")
    assert [len(more.sites), len(more.splicers)] == [3, 3]
    assert more.sites[:2] == TYPED.sites
    assert more.splicers[-1] == ("", "", "steps")


def test_only_a_lead_saves(unset: Path) -> None:
    for role in ("technician", "trainer"):
        theirs = CrewData(unset).seen_by(Viewer(role, None))  # type: ignore[arg-type]
        assert "Only a lead may set the crew up" in save(theirs, TYPED)
    assert load_crew(unset).name == "Try"


def test_once_there_are_records_they_are_not_dated_anew(app: Dash, folder: Path) -> None:
    ended(app, send(app, "monday.csv", log_text(*ROWS[:2])))
    data = CrewData(folder)
    assert data.has_records()
    assert "Add files (done) 3 First verdict (now)" in words(data)
    assert "Save" not in words(data)
    assert "There are records by now" in save(data, TYPED)
    with pytest.raises(UsageError, match="change crew"):
        data.save_setup(None)  # type: ignore[arg-type]
    assert load_crew(folder).name == "Try"


@pytest.mark.long  # tests/browser/test_first_verdict.py goes the same way in a browser
def test_the_first_verdict_is_linked(app: Dash, folder: Path) -> None:
    answer = send(app, "monday.csv", log_text(*ROWS[:2]))
    ended(app, answer)
    uploads = uploads_of(app)
    uploads.analyze()
    uploads._analyst.submit(lambda: None).result(timeout=300)
    data = CrewData(folder)
    assert data.run() is not None
    links = [part.href for part in parts(setup_part(data)) if type(part).__name__ == "Link"]
    assert links == ["/"]
    assert "First verdict: open the Shift page" in text(screen(data, "/records", "", "light"))


def test_a_crew_of_long_standing_is_left_alone(
    app: Dash, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended(app, send(app, "monday.csv", log_text(*ROWS[:2])))
    monkeypatch.setattr(crew_setup_card, "BEGUN_HOURS", 0)
    assert setup_part(CrewData(folder)) == []
