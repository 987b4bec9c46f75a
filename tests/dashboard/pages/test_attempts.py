"""What stops splices, holding, haste and the cost of splices made again, on the pages."""

from pathlib import Path

import pandas as pd
import pytest

from arcdrift.people import SOMEBODY, Viewer
from arcdrift.settings import load_crew
from dashboard.components import View
from dashboard.pages import TABLES
from dashboard.reading.data import CrewData
from tests.dashboard.invented import results, write_crew
from tests.dashboard.rendering import shown
from tests.dashboard.store_results import replaced


def test_a_splicer_shows_what_stops_its_splices_and_what_it_points_to(data: CrewData) -> None:
    text = shown(data, "/splicer", "splicer=Kestrel")
    assert "27 errors in 900 attempts of the last 91 days" in text
    assert "Fiber position 24 26.7 10.0 to 40.0 5.3" in text
    assert "Fiber-position errors on Kestrel" in text
    assert "3.9 (2.1 to 7.2) times what the same people have on other splicers" in text
    assert "Clean its v-grooves and fiber clamps" in text
    assert "Electrodes carry high voltage" in text


def test_what_cannot_be_told_apart_is_said_by_name_only_to_who_may_see_it(data: CrewData) -> None:
    assert "Cedar makes nearly all splices there" in shown(data, "/week")
    technician = data.seen_by(Viewer("technician", "Alder"))
    text = shown(technician, "/week")
    assert f"{SOMEBODY} makes nearly all splices there" in text
    for page in ("/week", "/upkeep", "/splicer?splicer=Plover", "/splicer?splicer=Kestrel"):
        path, _, query = page.partition("?")
        text = shown(technician, path, query)
        assert "Cedar" not in text
        assert "Birch" not in text


def test_the_week_tells_what_splices_made_again_cost(data: CrewData) -> None:
    text = shown(data, "/week", "week=2025-W24")
    assert "This week: 5 attempts, 24 min, 6 arcs." in text
    assert "June: 8 attempts, 1 h 25 min, 9 arcs." in text
    assert "The minutes of 12 % and the arcs of 25 % of the attempts in June are not known." in text
    assert "EUR" not in text


def test_a_price_is_shown_where_the_crew_has_one(tmp_path: Path) -> None:
    folder = write_crew(tmp_path)
    with (folder / "crew.toml").open("a", encoding="utf-8") as file:
        file.write('[costs]\nhour = 60\ncurrency = "CHF"\n')
    assert load_crew(folder).costs.hour == 60
    text = shown(CrewData(folder), "/week", "week=2025-W24")
    assert "about 24 CHF of working time" in text


def test_a_person_is_compared_with_themself_only(data: CrewData) -> None:
    text = shown(data, "/person", "technician=Birch")
    assert "About 3.4 minutes from place to place there, 6.1 in the slower third" in text
    assert "People are never compared by how fast they work" in text
    assert "5.0 (3.3 to 7.4) % instead of 3.0 %" in text
    assert "too few to tell" in text
    assert "Attempts that failed 2.0 % 3.0 % 3.0 (2.2 to 4.1) % instead of 2.0 %" in text


def test_no_table_has_the_speed_of_several_people(data: CrewData) -> None:
    own = CrewData.seen_by(data, Viewer("trainer"))
    for (page, name), table in TABLES.items():
        run = own.run()
        assert run is not None
        rows = table(View(own, run, {"technician": "Birch"}, "light"))
        if isinstance(rows, pd.DataFrame) and "fast_min" in rows.columns:
            assert (page, name) == ("person", "haste")
            assert set(rows["technician"]) == {"Birch"}


def test_the_figures_of_one_person_are_theirs_and_trainers(data: CrewData) -> None:
    own = data.seen_by(Viewer("technician", "Birch"))
    other = data.seen_by(Viewer("technician", "Alder"))
    assert set(own.result("result_haste")["technician"]) == {"Birch"}
    assert other.result("result_haste").empty
    assert set(other.result("result_holding")["subject"]) == {"crew"}
    assert set(other.result("result_error_hints")["subject_type"]) == {"splicer", "blade"}
    assert other.result("result_error_splices")["technician"].dropna().unique() == ["Alder"]


@pytest.mark.parametrize(
    ("missing", "page", "query", "sentence"),
    [
        ("holding", "/person", "technician=Birch", "No log says how the fiber was held."),
        ("reasons", "/splicer", "splicer=Kestrel", "No log says why splices fail."),
        ("errors", "/splicer", "splicer=Kestrel", "is on record as failed"),
        ("again", "/week", "", "No splice was made again"),
    ],
)
def test_logs_without_a_column_say_what_to_export(
    tmp_path: Path, missing: str, page: str, query: str, sentence: str
) -> None:
    rows = results()
    empty = {
        "holding": ["result_holding"], "reasons": ["result_error_hints"],
        "errors": ["result_error_hints", "result_error_shares", "result_error_splices"],
        "again": ["result_made_again"],
    }[missing]  # fmt: skip
    changed = {name: rows[name].iloc[:0] for name in empty}
    if missing == "reasons":
        shares = rows["result_error_shares"]
        changed["result_error_shares"] = shares[shares["class"] == "arc"].assign(
            **{"class": "no_reason", "errors": 7}
        )
    text = shown(CrewData(replaced(tmp_path, changed)), page, query)
    assert sentence in text
    assert "nan" not in text.split()
