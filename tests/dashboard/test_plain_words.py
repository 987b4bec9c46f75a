"""What a newcomer reads: nothing stale, nothing over-said, nothing hidden."""

import os
import re
import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from arcdrift.analysis.causes import loss_findings
from arcdrift.finding import Cause, Finding
from arcdrift.store.database.connect import open_store, writing
from arcdrift.store.imports.import_list import add_import
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.results.result_replacement import replace_results
from dashboard.callbacks import OUTDATED, screen
from dashboard.pages.findings.evidence import evidence_facts
from dashboard.pages.findings.finding_words import IN_ORDER, finding_title
from dashboard.reading.data import CrewData
from tests.dashboard.invented import NOW, finding_rows, findings, results, write_crew
from tests.dashboard.rendering import parts, shown, whole
from tests.stored_rows import import_values

BANNER = OUTDATED.replace("`", "")
LONG = os.environ.get("ARCDRIFT_LONG") == "1"
PAGES = ("/", "/loss", "/splicer", "/checks", "/cases")


def crew_with(folder: Path, found: Sequence[Finding]) -> CrewData:
    """Return the invented crew with other findings."""
    write_crew(folder)
    engine = open_store(folder)
    replace_results(engine, results() | {"findings": finding_rows(found)})
    engine.dispose()
    return CrewData(folder)


def store_import(folder: Path, started: datetime, accepted: int) -> int:
    engine = open_store(folder)
    values = import_values(
        started_at=int(started.timestamp() * 1e6), accepted=accepted, sha256="1" * 64
    )
    with writing(engine) as connection:
        import_id = add_import(connection, values)
    engine.dispose()
    return import_id


def test_results_up_to_date_carry_no_banner(data: CrewData):
    assert not any(BANNER in shown(data, path) for path in PAGES)


@pytest.mark.parametrize(("accepted", "outdated"), [(5, True), (0, False)])
@pytest.mark.parametrize("later", [1, -1])
def test_records_added_since_the_analysis_are_told_on_every_page_whatever_the_clock_said(
    tmp_path, later, accepted, outdated
):
    write_crew(tmp_path)
    store_import(tmp_path, NOW + timedelta(minutes=later), accepted)
    data = CrewData(tmp_path)
    # every page has the same banner, or none
    for path in PAGES if outdated and later > 0 else ("/",):
        assert (BANNER in shown(data, path)) == outdated


def test_records_in_the_future_are_told_on_every_page(tmp_path, data: CrewData):
    assert "lie in the future" not in shown(data, "/")
    write_crew(tmp_path)
    # the newest record of the invented crew is from June 2025
    with sqlite3.connect(tmp_path / "arcdrift.db") as store:
        store.execute(
            "UPDATE splices SET spliced_at = spliced_at + 20 * 365 * 86400 * 1000000 "
            "WHERE id = (SELECT max(id) FROM splices WHERE splicer = 'Kestrel')"
        )
    ahead = CrewData(tmp_path)
    for path in PAGES if LONG else ("/", "/splicer"):
        assert "lie in the future, 8 Jun 2045, " in shown(ahead, path)
        assert "(splicer Kestrel)" in shown(ahead, path)


def test_records_taken_back_since_the_analysis_are_told(tmp_path: Path):
    write_crew(tmp_path)
    made = store_import(tmp_path, NOW - timedelta(days=1), 5)
    engine = open_store(tmp_path)
    undo_import(engine, made)
    engine.dispose()
    assert BANNER in shown(CrewData(tmp_path), "/")


def test_a_cause_that_stands_alone_has_no_share(tmp_path: Path):
    raised = replace(findings()[0], likely_causes=(Cause("V-grooves", "cleaned late", 1.0),))
    page = screen(crew_with(tmp_path, [raised]), f"/cases/{raised.id}", "", "light")
    assert not [part for part in parts(page) if getattr(part, "className", "") == "bar"]
    words = shown(crew_with(tmp_path, [raised]), f"/cases/{raised.id}")
    assert "V-grooves cleaned late" in words


@pytest.mark.parametrize(
    ("kind", "severity", "days", "words"),
    [
        ("loss-raised", "act", 0, "Loss has risen"),
        ("loss-raised", "note", 60, "Loss had risen, now quiet"),
        ("loss-lowered", "note", 60, "Loss had fallen, now quiet"),
        ("loss-lowered", "note", 1, "Loss has fallen"),  # always a note, and this one is fresh
        ("check-missed", "note", 60, "Daily arc check missed"),
    ],
)
def test_a_change_long_past_is_told_in_the_past_tense(kind, severity, days, words):
    finding = replace(findings()[0], kind=kind, severity=severity, until=NOW - timedelta(days=days))
    assert finding_title(finding.to_json()) == words


def test_alarms_of_both_sides_are_counted(tmp_path: Path):
    data = crew_with(tmp_path, findings())
    engine = open_store(tmp_path)
    streams = results()["result_streams"].assign(alarms_up=2, alarms_down=3)
    replace_results(engine, results() | {"result_streams": streams})
    engine.dispose()
    page = whole(data, "/loss")
    grid = next(part for part in parts(page) if type(part).__name__ == "AgGrid")
    assert {row["alarms"] for row in grid.rowData} == {5}


def test_causes_are_pointed_to_only_where_they_are_listed(tmp_path: Path):
    step = loss_findings.STEPS["loss-raised"]
    assert step.startswith(IN_ORDER)
    unknown = replace(
        findings()[0], next_step=step, likely_causes=(Cause("cannot tell", "nothing moved", 1.0),)
    )
    query = "?splicer=Kestrel&program=single-mode+fixed"
    words = shown(crew_with(tmp_path / "a", [unknown]), "/loss", query)
    assert "likely causes" not in words
    assert "Next: Recheck the arc" in words
    guess = (*unknown.likely_causes, Cause("Birch's splices", "little else moved", 0.2))
    words = shown(
        crew_with(tmp_path / "c", [replace(unknown, likely_causes=guess)]), "/loss", query
    )
    assert "Birch" not in words
    known = replace(findings()[0], next_step=step)
    words = shown(crew_with(tmp_path / "b", [known]), "/loss", query)
    assert words.index("Likely causes: Arc check missed (two workdays") < words.index(step)


def test_evidence_of_an_arc_change_names_its_unit_once():
    evidence: dict[str, Any] = {"unexplained_change": -4.2, "setting_unit": "steps", "alarms": 1}
    assert evidence_facts(evidence) == [("Unexplained change", "\u22124.2 steps"), ("Alarms", "1")]


def test_tolerance_is_explained(data: CrewData):
    words = shown(data, "/splicer", "?splicer=Heron&temperature=18&pressure=1008&humidity=55")
    assert "it fits; further off, recalibrate." in words


def test_the_check_strip_runs_one_way_in_time_like_every_chart(data: CrewData):
    words = shown(data, "/splicer", "?splicer=Heron")
    strip = words.partition("Arc checks of the last")[2]
    assert strip.index("12 Jun 2025") < strip.index("13 Jun 2025")


def test_a_risen_stream_tells_the_size_of_its_finding(tmp_path: Path):
    """The finding says 0.040 to 0.064 dB, +60 %; the expectation has followed part of the rise."""
    data = crew_with(tmp_path, findings())
    raised = findings()[0]
    streams = results()["result_streams"]
    of_finding = streams["splicer"] == "Kestrel"
    streams = streams.assign(
        baseline_db=streams["baseline_db"].mask(of_finding, 0.040),
        recent_db=streams["recent_db"].mask(of_finding, 0.058),
        change_since=pd.Series("2025-06-04", streams.index).where(of_finding),
        since_db=pd.Series(0.064, streams.index).where(of_finding),
        change=pd.Series(0.6, streams.index).where(of_finding),
        change_finding=pd.Series(raised.id, streams.index).where(of_finding),
    )
    engine = open_store(tmp_path)
    replace_results(engine, results() | {"result_streams": streams})
    engine.dispose()
    words = shown(data, "/loss", "?splicer=Kestrel&program=single-mode fixed")
    assert "(+60%)" in raised.summary
    assert words.startswith("← Loss Kestrel, single-mode fixed: up 60 % since 4 Jun 2025")
    assert "Usual loss 0.040 dB a splice before 4 Jun 2025, 0.064 dB from then" in words
    assert "last 10 days 0.058 dB" in words
    assert "45 %" not in words  # the last days against the usual would be another percent
    crew = shown(data, "/loss")
    assert "Risen: Kestrel, single-mode fixed up 60 % since 4 Jun 2025" in crew
    assert "+60 % since 4 Jun 2025" in crew  # in the table
    assert "Kestrel single-mode fixed up 60 % since 4 Jun 2025 usual 0.040 dB" in crew


def test_a_share_that_rounds_to_nothing_is_plain_zero(tmp_path: Path):
    data = crew_with(tmp_path, findings())
    engine = open_store(tmp_path)
    streams = results()["result_streams"].assign(baseline_db=0.05, recent_db=0.0499)
    replace_results(engine, results() | {"result_streams": streams})
    engine.dispose()
    words = shown(data, "/loss")
    assert "0 % against the usual" in words
    assert "+0 %" not in words
    assert "-0 %" not in words
    grid = next(p for p in parts(whole(data, "/loss")) if hasattr(p, "rowData"))
    assert {str(row["change"]) for row in grid.rowData} == {"0.0"}


NOT_ON_SCREENS = re.compile(
    r"\b(streams?|rolled up|charted|settled|funnel|told|ordinary swings|baselines?)\b",
    re.IGNORECASE,
)
WORKING_PAGES = (
    ("/", ""), ("/splicer", "?splicer=Heron"), ("/week", ""), ("/loss", ""),
    ("/loss", "?splicer=Kestrel&program=single-mode+fixed"),
    ("/loss", "?subject=technician:Birch"), ("/budget", ""), ("/cases/revisit", ""),
    ("/checks", ""), ("/upkeep", ""), ("/cases", ""), ("/coaching", ""),
    ("/person", "?technician=Birch"), ("/person", "?technician=Birch&show=1"),
)  # fmt: skip


@pytest.mark.parametrize(("path", "query"), WORKING_PAGES)
def test_pages_of_work_speak_the_words_of_the_trade(data: CrewData, path: str, query: str):
    words = shown(data, path, query)
    assert NOT_ON_SCREENS.findall(words) == []
    # one format of percentages and days
    assert re.findall(r"\d%", words) == []
    assert re.findall(r"\b20\d\d-\d\d-\d\d\b", words) == []
    assert " 1 splices" not in words
    assert " 1 days" not in words
