"""A store that can only be read: it is read, and what would change it is refused in a sentence."""

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_rows import read_result
from dashboard.app import create_app
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import shown
from tests.robust.tools import read_only

READING = (
    ("findings", "--json"), ("checks", "--json"), ("advise", "Heron", "--json"), ("prep", "--json"),
    ("imports", "--json"), ("quarantine", "--json"), ("clock", "--json"), ("usual", "--json"),
    ("coach", "--json"), ("digest", "--json"),
)  # fmt: skip
CHANGING = (
    ("import", "splices.csv"), ("imports", "undo", "1"), ("analyze",),
    ("coach", "Alder", "--topic", "cleaving", "--by", "Lead"),
)  # fmt: skip


def test_everything_is_read_and_nothing_changed(analyzed: Path, arcdrift: Any) -> None:
    before = {words: arcdrift(*words) for words in READING}
    kept = (analyzed / "arcdrift.db").read_bytes()
    with read_only(analyzed):
        for words in READING:
            assert arcdrift(*words) == before[words], words
        for words in CHANGING:
            done = arcdrift(*words)
            assert (done.code, done.out) == (4, ""), words
            assert "can be read but not changed" in done.sentence
            assert "cannot be written" in done.sentence
        data = CrewData(analyzed)
        for path in ("/", "/loss", "/checks", "/cases", "/splicer"):
            assert "State of" in shown(data, path)
        assert create_app(analyzed).server.test_client().get("/").status_code == 200
    assert (analyzed / "arcdrift.db").read_bytes() == kept


def test_a_report_is_written_elsewhere(
    analyzed: Path, arcdrift: Any, tmp_path_factory: pytest.TempPathFactory
) -> None:
    out = tmp_path_factory.mktemp("elsewhere") / "shift.html"
    with read_only(analyzed):
        assert arcdrift("report", "shift", "--out", out).code == 0
        here = arcdrift("report", "shift", "--out", analyzed / "shift.html")
    assert "Splicers, the most urgent first" in out.read_text(encoding="utf-8")
    assert here.code == 3
    assert "shift.html cannot be written" in here.sentence


def test_changes_still_in_the_log_of_the_store_are_read_or_missed_aloud(
    analyzed: Path, arcdrift: Any
) -> None:
    """A program that still runs, or was killed, leaves its last changes beside the store."""
    with sqlite3.connect(analyzed / "arcdrift.db") as writer:
        writer.execute("UPDATE imports SET file_name = 'changed.csv' WHERE id = 1")
        writer.commit()
        assert (analyzed / "arcdrift.db-wal").stat().st_size
        with read_only(analyzed):
            names = [row["file"] for row in arcdrift("imports", "--json").data]
            assert "changed.csv" in names
    writer.close()


def test_a_store_of_another_version_is_not_brought_up_to_date(analyzed: Path) -> None:
    with sqlite3.connect(analyzed / "arcdrift.db") as store:
        store.execute("UPDATE result_definitions SET sha256 = '0'")
    store.close()
    with read_only(analyzed), pytest.raises(StoreTrouble, match="must be brought up to date"):
        open_store(analyzed)
    engine = open_store(analyzed)
    assert read_result(engine, "analysis_run").empty
    engine.dispose()


def test_a_read_only_folder_without_a_store(crew: Path, arcdrift: Any) -> None:
    (crew / "arcdrift.db").unlink(missing_ok=True)
    with read_only(crew):
        done = arcdrift("imports")
    assert done.code == 4
    assert "cannot be written" in done.sentence
