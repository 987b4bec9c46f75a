"""The Checks page: who works unchecked now, the calendar, shares in time."""

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import pandas as pd

from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from dashboard.callbacks import screen
from dashboard.pages.checks.unchecked_now import Unchecked, unchecked_sentence
from dashboard.reading.data import CrewData
from tests.dashboard.invented import NOW, results, write_crew
from tests.dashboard.rendering import parts, shown, text


def test_the_calendar_runs_from_left_to_right_and_opens_at_the_newest_day(data: CrewData):
    page = screen(data, "/checks", "?splicer=Kestrel", "light")
    table = next(part for part in parts(page) if type(part).__name__ == "Table")
    months, heads, row = (found for found in parts(table) if type(found).__name__ == "Tr")
    assert [text(cell) for cell in row.children][-6:] == [
        *("\N{MIDDLE DOT}", "L", "M", "M", "✓", "D")
    ]
    late, missed = row.children[-5], row.children[-3]
    assert missed.title == "Kestrel, 11 Jun 2025: missed, 20 splices"
    assert late.title == "Kestrel, 9 Jun 2025: late, 7 splices before it"
    assert late.className == "day-late"
    assert [text(head) for head in heads.children][-4:] == ["10", "11", "12", "13"]
    assert [(text(month), month.colSpan) for month in months.children[1:]] == [
        ("May 2025", "18"),
        ("Jun 2025", "13"),
    ]
    scrolled = next(part for part in parts(page) if hasattr(part, "data-scrolled"))
    assert scrolled.className == "calendar"
    words = " ".join(text(page).split())
    assert "3 workdays not checked in time" in words
    assert "7 of 20 splices before the check" in words


def test_who_works_unchecked_stands_first_with_the_numbers_of_the_verdict(data: CrewData):
    words = shown(data, "/checks")
    assert words.startswith("Checks 1 splicer on an unchecked arc now: 20 splices so far.")
    first = words.partition("Unchecked now: stop and check")[2].partition("Day by day")[0]
    assert first.split() == "Kestrel 20 splices since 10:00 by Birch".split()
    verdict = shown(data, "/splicer", "?splicer=Kestrel")
    assert "20 splices made since 10:00 without a check." in verdict
    # a filter narrows the history; whoever has to stop now is seen all the same
    assert "Unchecked now: stop and check Kestrel" in shown(data, "/checks", "?splicer=Heron")


def test_shares_are_dots_by_name_and_no_table_of_zeros(data: CrewData):
    words = shown(data, "/checks")
    assert "In time, by splicer" in words
    assert "In time, by technician" in words
    assert "by name, not by rank" in words
    assert words.index("Day by day") < words.index("on an unchecked arc, most in the week")
    # Friday 13 June is running; of the weekdays since 14 May 22 are over
    charts = [part for part in parts(screen(data, "/checks", "", "light"))
              if type(part).__name__ == "Graph"]  # fmt: skip
    splicers = charts[2].figure
    assert [note.text for note in splicers.layout.annotations] == ["3 of 3", "19 of 22", "22 of 22"]
    assert list(splicers.layout.yaxis.ticktext) == ["Plover", "Kestrel", "Heron"]


def test_the_first_line_says_what_there_is_to_say():
    at = pd.Timestamp(NOW)
    assert unchecked_sentence([], 0).startswith("No splice yet today.")
    assert unchecked_sentence([], 3) == "Every splicer at work today has passed its check."
    one = Unchecked("Heron", 1, at, "", "due")
    assert unchecked_sentence([one], 1) == "1 splicer on an unchecked arc now: 1 splice so far."


def crew_of(folder: Path, splicers: Sequence[str]) -> CrewData:
    """A crew whose splicers all worked as Kestrel did."""
    write_crew(folder)
    days = results()["result_check_days"]
    kestrel = days[days["splicer"] == "Kestrel"]
    engine = open_store(folder)
    everybody = pd.concat([kestrel.assign(splicer=name, technician=name) for name in splicers])
    replace_results(engine, results() | {"result_check_days": everybody})
    engine.dispose()
    return CrewData(folder)


def test_sixty_splicers_are_folded_and_a_hostile_name_is_text(tmp_path: Path):
    hostile = '<b onmouseover="x()">=1+1'
    data = crew_of(tmp_path, [hostile, *(f"S{number:02}" for number in range(59))])
    page = screen(data, "/checks", "", "light")
    words = " ".join(text(page).split())
    # those of crew.toml that did not work have no row
    assert "In time, by splicer: 60 splicers" in words
    folds = [part for part in parts(page) if getattr(part, "className", "") == "card fold"]
    assert len(folds) == 2
    labels = [
        label
        for part in parts(page) if type(part).__name__ == "Graph"
        for label in part.figure.layout.yaxis.ticktext or ()
    ]  # fmt: skip
    assert any(label.startswith("&lt;b") for label in labels)
    assert not any("<b" in label for label in labels)


def test_no_day_on_record_is_said(tmp_path: Path):
    write_crew(tmp_path)
    engine = open_store(tmp_path)
    replace_results(engine, results() | {"result_check_days": results()["result_check_days"][:0]})
    engine.dispose()
    words = shown(CrewData(tmp_path), "/checks")
    assert words.startswith("Checks No workday is on record yet.")
    assert (NOW - timedelta(days=0)).year == 2025
