"""The card about clocks: why one is taken to be wrong, a shift set and undone, and by whom."""

import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from dash import dcc, html
from sqlalchemy import insert, select

from arcdrift.errors import UsageError
from arcdrift.people import Viewer
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import clock_shifts, set_shift, suspected_bounds
from arcdrift.store.database.connect import writing
from arcdrift.store.records.record_rows import read_records
from dashboard.access.served_address import ServedAddress
from dashboard.app import create_app
from dashboard.pages.records.clocks_card import PICTURES, clocks_card, set_typed_shift, typed_shift
from dashboard.reading.clocks import undo_clock_shift
from dashboard.reading.data import CrewData
from dashboard.uploads.uploads import Uploads
from tests.dashboard.access.conftest import add_users
from tests.dashboard.access.signing_in import ADDRESS, Browser
from tests.dashboard.access.walking import look_at_clocks, set_a_clock, undo_a_clock
from tests.dashboard.rendering import parts, text
from tests.slow_clock import quietly, write_slow_crew

START = str(int(datetime(2026, 5, 12, 2, tzinfo=UTC).timestamp()) * 1_000_000)
"""04:00 in Oslo, as the slow clock showed it."""
SEVEN_HOURS = {"way": "later", "days": 0, "hours": 7, "minutes": 0, "why": "the site clock"}


@pytest.fixture(scope="module")
def slow_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_slow_crew(tmp_path_factory.mktemp("slow"))


@pytest.fixture
def slow(slow_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(slow_once, tmp_path / "crew"))


def words(card: Any) -> str:
    return " ".join(text(card).split())


def graphs(card: Any) -> list[Any]:
    return [part for part in parts(card) if isinstance(part, dcc.Graph)]


def test_a_stretch_is_told_with_its_reason(slow_once: Path):
    card = clocks_card(CrewData(slow_once), "light")
    shown = words(card)
    assert "Heron , logged 12 May 2026, 04:00 to 17 May 2026, 06:30" in shown
    assert (
        "66 splices and 5 arc checks kept apart. Most likely it should all be 7 h later." in shown
    )
    assert (
        "Splice 139 was made after splice 138, yet its logged time is 6 h 30 min earlier." in shown
    )
    assert "Shifts in force" not in shown
    fields = {
        part.id["name"]: part.value
        for part in parts(card)
        if isinstance(getattr(part, "id", None), dict) and part.id["type"] == "clock-field"
    }
    assert fields == {"way": "later", "days": 0, "hours": 7, "minutes": 0, "why": ""}


def test_the_picture_shows_the_records(slow_once: Path):
    data = CrewData(slow_once)
    (graph,) = graphs(clocks_card(data, "light"))
    stored = read_records(data.engine, "splices", splicers=["Heron"]).set_index("splice_number")
    local = stored["spliced_at"].dt.tz_convert("Europe/Oslo").dt.tz_localize(None)
    right, wrong, moved = graph.figure["data"][1:]
    for trace, added in ((right, 0), (wrong, 0), (moved, 7)):
        expected = local[trace["y"]] + pd.Timedelta(hours=added)
        assert pd.to_datetime(pd.Series(trace["x"])).tolist() == expected.tolist()
    # planted from splice 139 on
    assert (max(right["y"]), min(wrong["y"])) == (138, 139)
    dark = graphs(clocks_card(data, "dark"))[0].figure["data"]
    assert dark[2]["marker"]["color"] != wrong["marker"]["color"]


def test_a_shift_is_set_counts_and_is_undone(slow: Path):
    data = CrewData(slow)
    said = set_typed_shift(data, "Heron", START, SEVEN_HOURS, "Birch")
    assert said == (
        "The records of Heron are read 7 h later. The results are being brought up to date."
    )
    shown = words(clocks_card(data, "light"))
    assert "Birch set it 7 h later: it counts as soon as the results are up to date." in shown
    assert "Heron : read 7 h later , logged 12 May 2026, 04:00 to 17 May 2026, 06:30." in shown
    assert "Birch , " in shown
    assert ": the site clock" in shown
    assert "Set the shift" not in shown
    quietly("analyze", "--crew", str(slow))
    data = CrewData(slow)
    assert data.result("result_clock_stretches").empty
    days = set(data.result("result_check_days")["day"])
    assert {f"2026-05-{day}" for day in range(12, 18)} <= days
    card = clocks_card(data, "light")
    assert "kept apart" not in words(card)
    assert graphs(card) == []
    (shift,) = clock_shifts(data.engine)
    undo_clock_shift(data, "Heron", shift.id)
    assert clocks_card(data, "light") is None
    with pytest.raises(UsageError, match="in force no longer"):
        undo_clock_shift(data, "Heron", shift.id)


@pytest.mark.parametrize(
    ("changed", "by", "told"),
    [
        ({}, "", "Say who you are first"),
        ({"why": "  "}, "Birch", "Say how it is known"),
        ({"way": None}, "Birch", "Say whether the times are to be later or earlier"),
        ({"hours": 0}, "Birch", "Say by how much"),
        ({"hours": -3}, "Birch", "Hours are to be a whole number"),
        ({"minutes": "1.5"}, "Birch", "Minutes are to be a whole number"),
        ({"days": 14601}, "Birch", "longer than 40 years"),
        ({"days": 999999999}, "Birch", "longer than 40 years"),
        ({"days": 20}, "Birch", "20 days 7 h later, these records would lie in the future"),
    ],
)
def test_what_cannot_be_set_is_refused_in_words_of_a_screen(
    slow_once: Path, changed: dict[str, Any], by: str, told: str
):
    data = CrewData(slow_once)
    with pytest.raises(UsageError, match=told) as refused:
        set_typed_shift(data, "Heron", START, SEVEN_HOURS | changed, by)
    assert "--" not in str(refused.value)
    assert "arcdrift" not in str(refused.value)
    assert clock_shifts(data.engine) == []


@pytest.mark.parametrize(("splicer", "start"), [("Heron", "17"), ("Heron", "x"), ("Wren", START)])
def test_a_stretch_that_is_gone_is_refused(slow_once: Path, splicer: str, start: str):
    with pytest.raises(UsageError, match="kept apart no longer; load the page again"):
        set_typed_shift(CrewData(slow_once), splicer, start, SEVEN_HOURS, "Birch")


def test_a_second_shift_is_refused_with_what_the_first_one_says(slow: Path):
    data = CrewData(slow)
    (bounds,) = suspected_bounds(data.engine)
    set_shift(data.engine, bounds, timedelta(0), said_by="Alder", why="night work")
    assert "Alder said that the clock was right" in words(clocks_card(data, "light"))
    with pytest.raises(UsageError, match="A shift is in force already for part") as refused:
        set_typed_shift(data, "Heron", START, SEVEN_HOURS, "Birch")
    assert "logged 12 May 2026, 04:00 to 17 May 2026, 06:30 (as logged); undo" in str(refused.value)


@pytest.mark.parametrize(
    ("typed", "shift"),
    [
        ({"way": "later", "days": 1, "hours": 2, "minutes": 30}, timedelta(days=1, minutes=150)),
        ({"way": "earlier", "hours": "7"}, -timedelta(hours=7)),
        ({"way": "earlier", "days": "", "hours": None, "minutes": 5}, -timedelta(minutes=5)),
        ({"way": "right", "hours": 9}, timedelta(0)),
    ],
)
def test_the_form_is_read_as_it_says(typed: dict[str, Any], shift: timedelta):
    assert typed_shift(typed) == shift


@pytest.fixture
def signed_in(slow: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Browser]:
    add_users(slow)
    app = create_app(slow, ServedAddress(proxies=1, public_url=ADDRESS))
    monkeypatch.setattr(Uploads, "analyze", lambda _self: analyses.append(1))
    analyses.clear()

    def sign_in(user: str) -> Browser:
        browser = Browser(app)
        assert browser.sign_in(user).status_code == 303
        return browser

    return sign_in


analyses: list[int] = []
"""How often the results were to be brought up to date."""


def test_trainers_and_leads_set_and_undo(signed_in: Callable[[str], Browser], slow: Path):
    for number, user in enumerate(("Tove", "Lena"), start=1):
        browser = signed_in(user)
        assert "Set the shift" in look_at_clocks(browser).get_data(as_text=True)
        answer = set_a_clock(browser, "Heron", START, hours=7)
        told = answer.get_data(as_text=True)
        assert "are read 7 h later" in told
        assert '"uploads-timer":{"disabled":false}' in told  # the page follows
        assert "Undo it" in look_at_clocks(browser).get_data(as_text=True)
        (shift,) = clock_shifts(CrewData(slow).engine)
        assert (shift.said_by, shift.shift) == (user, timedelta(hours=7))
        assert "in force already" in set_a_clock(browser, "Heron", START).get_data(as_text=True)
        undone = undo_a_clock(browser, "Heron", shift.id).get_data(as_text=True)
        assert "Taken back" in undone
        assert len(analyses) == 2 * number


def test_a_technician_sees_the_clock_of_their_splicer_alone(
    signed_in: Callable[[str], Browser], slow: Path
):
    browser = signed_in("birch@work")
    assert "logged" not in look_at_clocks(browser).get_data(as_text=True)
    browser.client.set_cookie("arcdrift-splicer", "Heron", domain="crew.example")
    seen = look_at_clocks(browser).get_data(as_text=True)
    assert "66 splices and 5 arc checks kept apart" in seen
    assert "A trainer or a lead says it" in seen
    for button in ("Set the shift", "Undo it", "clock-field"):
        assert button not in seen
    assert set_a_clock(browser, "Heron", START, hours=7).status_code == 403
    assert undo_a_clock(browser, "Heron", 1).status_code == 403
    data = CrewData(slow, Viewer("technician", "Birch"))
    for change in (
        lambda: set_typed_shift(data, "Heron", START, SEVEN_HOURS, "Birch"),
        lambda: undo_clock_shift(data, "Heron", 1),
    ):
        with pytest.raises(UsageError, match="Only a trainer may set by how much"):
            change()
    assert clock_shifts(data.engine) == []
    assert analyses == []


def test_no_card_where_no_clock_is_wrong(data: CrewData):
    assert clocks_card(data, "light") is None


def test_a_large_crew_has_few_pictures_and_all_the_sentences(slow: Path):
    data = CrewData(slow)
    table = schema.RESULTS["result_clock_stretches"]
    with writing(data.engine) as connection:
        (row,) = connection.execute(table.select()).mappings().all()
        for number in range(59):
            name = f"Heron {number}"
            connection.execute(table.insert().values(**{**row, "splicer": name, "splices": 5}))
            for records in (schema.splices, schema.arc_checks):
                copied = [column for column in records.c if column.name not in ("id", "splicer")]
                source = select(*copied).where(records.c.splicer == "Heron")
                rows = connection.execute(source).mappings().all()
                connection.execute(insert(records), [{**each, "splicer": name} for each in rows])
    card = clocks_card(CrewData(slow), "light")
    assert len(graphs(card)) == PICTURES
    entries = [part for part in parts(card) if isinstance(part, html.Article)]
    assert len(entries) == 60
    assert all("Splice 139 was made after splice 138" in words(entry) for entry in entries)
    # the one with most records comes first
    assert words(entries[0]).startswith("Heron , logged")


def test_without_counts_the_card_says_why_there_is_no_picture(slow: Path):
    data = CrewData(slow)
    with writing(data.engine) as connection:
        connection.execute(schema.splices.update().values(splice_number=None, arc_count=None))
        table = schema.RESULTS["result_clock_stretches"]
        connection.execute(table.update().values(first_number=None, end_number=None,
                                                 first_arc=None, end_arc=None))  # fmt: skip
    card = clocks_card(CrewData(slow), "light")
    assert graphs(card) == []
    assert (
        "There is no picture, since its log keeps neither splice numbers nor arc counts."
        in words(card)
    )
