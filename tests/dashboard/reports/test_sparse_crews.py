"""Reports of crews that have little: no record left, no air, a handful of checks."""

import re
from pathlib import Path

import pytest
from sqlalchemy import Engine

from arcdrift.analysis.review.review import review
from arcdrift.errors import ArcdriftError
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import load_crew
from arcdrift.store.imports.import_undo import undo_import
from dashboard.reading.data import CrewData
from dashboard.reports.report_kinds import REPORT_KINDS
from tests.dashboard.reports.reported import faults, made, told
from tests.empty_store import empty_store

CREW = """
name = "New crew"
clock = "newest-record"
time_zone = "Europe/Oslo"
[sites.Harbor]
elevation_m = 12
[splicers.Heron]
model = "Model A"
home_site = "Harbor"
"""


def analyzed(folder: Path, **logs: str) -> CrewData:
    """A crew with the given logs, imported and analyzed."""
    (folder / "crew.toml").write_text(CREW, encoding="utf-8")
    crew, engine = load_crew(folder), empty_store(folder)
    assert isinstance(engine, Engine)
    for name, text in logs.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
        import_file(engine, crew, folder / f"{name}.csv")
    review(engine, crew)
    engine.dispose()
    return CrewData(folder)


def checks(count: int, *, with_air: bool) -> str:
    air = ",15,1005,60" if with_air else ",,,"
    rows = [
        f"Heron,2026-05-{day:02d} 07:30,pass,{100 + day},{40 * day},Harbor{air}"
        for day in range(1, count + 1)
    ]
    head = "splicer,checked_at,outcome,arc_setting,arc_count,site,temperature_c,pressure_hpa,"
    return "\n".join([f"{head}humidity_pct", *rows, ""])


SPLICES = "splicer,spliced_at,loss_db,program,site,technician\n" + "".join(
    f"Heron,2026-05-{day:02d} 09:{minute:02d},0.03,plain,Harbor,Alder\n"
    for day in range(1, 7)
    for minute in range(0, 60, 10)
)


ODD = re.compile(r"\bnan\b|\bNone\b(?! (on record|so far|of))|NaT|\binf\b")
"""What no sentence says: values that are missing or without end."""


@pytest.mark.parametrize("kind", REPORT_KINDS)
def test_a_crew_whose_imports_were_undone_is_told_in_sentences(tmp_path: Path, kind: str):
    """The results of the last analysis are still there, and no record of them is."""
    data = analyzed(tmp_path, checks=checks(3, with_air=True))
    undo_import(data.engine, 1)
    about = REPORT_KINDS[kind].about
    query = {"splicer": {"splicer": "Heron"}, "person": {"technician": "Alder"}}.get(about, {})
    if about == "person":
        with pytest.raises(ArcdriftError, match="Nobody named Alder is on record"):
            made(data, kind, **query)
        return
    report = made(data, kind, **query)
    assert faults(report) == []
    assert "No file is imported." in told(report)
    assert ODD.findall(told(report)) == []


@pytest.mark.parametrize("kind", REPORT_KINDS)
def test_a_crew_without_air_is_told_in_sentences(tmp_path: Path, kind: str):
    data = analyzed(tmp_path, checks=checks(6, with_air=False), splices=SPLICES)
    about = REPORT_KINDS[kind].about
    query = {"splicer": {"splicer": "Heron"}, "person": {"technician": "Alder"}}.get(about, {})
    report = made(data, kind, **query)
    assert faults(report) == []
    assert ODD.findall(told(report)) == []


def test_a_splicer_with_six_checks_and_no_peers_has_no_settings_yet(tmp_path: Path):
    data = analyzed(tmp_path, checks=checks(6, with_air=True), splices=SPLICES)
    words = told(made(data, "card", splicer="Heron"))
    assert "No settings can be told yet" in words
    assert "Only 6 usable checks" in words
    assert "The daily arc check comes first." in words
    assert "run the daily check in the air you work in" in words
