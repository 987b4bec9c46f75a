"""The Upkeep page: due first, one row each, what to order, and what cannot be known."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd

from arcdrift.analysis.advice.upkeep_plan import UpkeepItem
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from dashboard.callbacks import screen
from dashboard.pages.upkeep.upkeep import order_table, upkeep_list, upkeep_table
from dashboard.reading.data import CrewData
from tests.dashboard.invented import results, write_crew
from tests.dashboard.pages.invented_cases import HOSTILE
from tests.dashboard.rendering import parts, shown, text

POSITION = "Turn the blade"


def crew_with_blades(folder: Path, blades: pd.DataFrame, settings: str = "") -> CrewData:
    write_crew(folder)
    with (folder / "crew.toml").open("a", encoding="utf-8") as file:
        file.write(settings)
    engine = open_store(folder)
    replace_results(engine, results() | {"result_blades": blades})
    engine.dispose()
    return CrewData(folder)


def blades(**changes: object) -> pd.DataFrame:
    return results()["result_blades"].assign(**changes)


def test_what_is_due_first_stands_first_and_its_caution_once(data: CrewData):
    words = shown(data, "/upkeep")
    assert words.startswith("Upkeep 1 due now.")
    assert "! due now Turn the blade C1 100 % used" not in words  # 1,100 of 1,000 cleaves
    row = words.partition("! due now")[2]
    assert row.split()[:8] == "Turn the blade C1 110 % used Position".split()
    assert "V-grooves Kestrel" in words
    assert words.count("power the splicer off before touching") == 1
    assert "Power off before touching them" not in words


def test_what_cannot_be_known_says_why_once_for_all(data: CrewData):
    words = shown(data, "/upkeep").partition("When is not known")[2]
    assert "Factory service : Heron, Kestrel None on record." in words
    assert words.count("electrode_life_arcs under [splicers.NAME]") == 1


def test_a_last_position_gets_a_new_blade_and_is_ordered(tmp_path: Path):
    last = blades(position="16", cleaves=900.0, days_left=1.25, cleaves_a_day=80.0)
    data = crew_with_blades(tmp_path, last)
    words = shown(data, "/upkeep")
    assert "New blade C1 90 % used Position 16 of 16, the last: about 100 cleaves left." in words
    assert POSITION not in words
    assert "1 × Cleaver blade for C1" in words
    view_rows = words.partition("To order: ")[2]
    assert view_rows.startswith("1 part")


def test_a_filter_narrows_the_list_but_not_what_to_order(tmp_path: Path):
    data = crew_with_blades(tmp_path, blades(position="16"))
    words = shown(data, "/upkeep", "?what=cleaning")
    assert "New blade" not in words
    assert "V-grooves" in words
    assert "1 × Cleaver blade for C1" in words
    assert "New blade" in shown(data, "/upkeep", "?what=nonsense")


def test_hostile_names_are_text_and_do_not_swallow_each_other(tmp_path: Path):
    data = crew_with_blades(tmp_path, blades(cleaver=HOSTILE))
    page = screen(data, "/upkeep", "", "light")
    assert HOSTILE in text(page)
    markup = ("Markdown", "Iframe", "DangerouslySetInnerHTML")
    assert not any(type(part).__name__ in markup for part in parts(page))


def test_tables_hold_every_row(data: CrewData):
    run = data.run()
    assert run is not None
    from dashboard.components import View

    view = View(data, run, {}, "light")
    table = upkeep_table(view)
    assert set(table["asset"]) == {"Heron", "Kestrel", "Plover", "C1"}
    assert table["due"].dropna().is_monotonic_increasing
    assert list(order_table(view).columns) == ["part", "count", "for"]


def test_rows_that_differ_only_by_their_name_are_one():
    item = UpkeepItem("Heron", "splicer", "Cleaning", "3 of 14 days since the last.", 0.2,
                      date(2026, 11, 28), date(2026, 11, 28), "later")  # fmt: skip
    alike = [replace(item, asset=name) for name in ("Dunlin", "Heron", "Kestrel")]
    later = replace(item, asset="Tern", words="2 of 14 days since the last.")
    words = text(upkeep_list([*alike, later, replace(later, asset="Osprey")]))
    assert words.count("Cleaning") == 3
    assert "Cleaning 3 splicers" in words
    assert "Dunlin Heron Kestrel" in words
