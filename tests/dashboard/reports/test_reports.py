"""All reports: complete in themselves, the same bytes from the same store, for whom they may be."""

import json
import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

import arcdrift
from arcdrift.cli.commands.report import KindName
from arcdrift.people import Viewer
from arcdrift.store import schema
from arcdrift.store.annotations.coaching import add_note
from arcdrift.store.database.connect import open_store
from dashboard.pages import PAGES
from dashboard.reading.data import CrewData
from dashboard.reports.report_kinds import REPORT_KINDS
from tests.dashboard.invented import write_crew
from tests.dashboard.invented_prep import PEOPLE
from tests.dashboard.rendering import parts, whole
from tests.dashboard.reports.reported import faults, made, told

ABOUT = {"splicer": {"splicer": "Heron"}, "person": {"technician": "Birch"}}
TECHNICIAN = Viewer("technician", "Alder")
SAME = """
import sys
from pathlib import Path
from tests.dashboard.reports.reported import made
from tests.dashboard.reports.test_reports import ABOUT
from dashboard.reading.data import CrewData
from dashboard.reports.report_kinds import REPORT_KINDS
data = CrewData(Path(sys.argv[1]))
for name, kind in REPORT_KINDS.items():
    print(made(data, name, **ABOUT.get(kind.about, {})).html)
"""


@pytest.mark.parametrize("kind", REPORT_KINDS)
def test_a_report_is_complete_in_itself(data: CrewData, kind: str):
    report = made(data, kind, address="http://192.0.2.1", **ABOUT.get(REPORT_KINDS[kind].about, {}))
    assert faults(report) == []
    assert report.file_name.startswith(f"arcdrift-{kind}")


@pytest.mark.parametrize("kind", REPORT_KINDS)
def test_a_report_says_as_of_when_from_what_and_with_which_settings(data: CrewData, kind: str):
    words = told(made(data, kind, **ABOUT.get(REPORT_KINDS[kind].about, {})))
    assert "As of 13 Jun 2025, 14:00, Europe/Oslo." in words
    assert "from 1 import (number 1 of `arcdrift imports`" in words
    assert f"arcdrift {arcdrift.__version__}." in words
    assert "Accepted loss 0.10 dB on average and 0.30 dB for one splice" in words
    assert "Mark of all settings" in words


@pytest.mark.parametrize("seed", ["1", pytest.param("2", marks=pytest.mark.long)])
def test_the_same_store_gives_the_same_bytes_in_another_process(
    crew_folder: Path, data: CrewData, seed: str
):
    """Texts are hashed with another seed in each process, which changes the order of sets."""
    elsewhere = subprocess.run(
        [sys.executable, "-c", SAME, str(crew_folder)],
        env=os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": str(Path.cwd())},
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    here = [made(data, name, **ABOUT.get(kind.about, {})) for name, kind in REPORT_KINDS.items()]
    assert elsewhere == "".join(f"{report.html}\n" for report in here)


@pytest.mark.parametrize("kind", REPORT_KINDS)
def test_a_technician_reads_of_nobody_else(data: CrewData, kind: str):
    about = REPORT_KINDS[kind].about
    query = {"technician": "Alder"} if about == "person" else ABOUT.get(about, {})
    if not TECHNICIAN.has_role(REPORT_KINDS[kind].least_role):
        with pytest.raises(Exception, match=r"Only a (lead|trainer) may"):
            made(data, kind, TECHNICIAN, **query)
        return
    words = told(made(data, kind, TECHNICIAN, **query))
    assert [name for name in PEOPLE if name != "Alder" and name in words] == []


def test_every_kind_is_on_the_command_line_and_on_a_page(data: CrewData):
    assert set(KindName.__args__) == set(REPORT_KINDS)
    offered = {
        part.href.removeprefix("/report/").partition(".html")[0]
        for path in PAGES
        for query in ("", "?splicer=Heron", "?technician=Birch")
        for part in parts(whole(data, path, query)[0])
        if str(getattr(part, "href", "")).startswith("/report/")
    }
    assert offered == set(REPORT_KINDS)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> CrewData:
    """The invented crew with names that would act as HTML: its own, those of Kestrel's splices."""
    folder = write_crew(tmp_path_factory.mktemp("hostile"))
    settings = (folder / "crew.toml").read_text(encoding="utf-8")
    settings = settings.replace('"Harbor crew"', json.dumps(HOSTILE))
    (folder / "crew.toml").write_text(settings, encoding="utf-8")
    engine = open_store(folder)
    with engine.begin() as connection:
        connection.execute(
            schema.splices.update().values(program=HOSTILE, location=HOSTILE, site=HOSTILE)
        )
        for table in ("result_week_changes", "result_streams", "result_stream_days"):
            rows = schema.RESULTS[table]
            connection.execute(
                rows.update().where(rows.c.program == "single-mode fixed").values(program=HOSTILE)
            )
    add_note(engine, "Birch", date(2025, 5, 5), HOSTILE[:60], HOSTILE, HOSTILE[:40])
    engine.dispose()
    return CrewData(folder)


HOSTILE = "<img src=x onerror=alert(1)>\"'&\u202e{{7*7}}" + "w" * 120


@pytest.mark.parametrize("kind", REPORT_KINDS)
def test_hostile_names_are_words(hostile: CrewData, kind: str):
    report = made(hostile, kind, **ABOUT.get(REPORT_KINDS[kind].about, {}))
    assert faults(report) == []
    assert "<img" not in report.html
    assert "49" not in told(report).partition("{{")[2][:4]
