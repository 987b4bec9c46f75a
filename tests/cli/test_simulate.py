"""Simulated logs: what the command says is what it wrote, and the logs import."""

import json
from pathlib import Path
from typing import Any

SMALL = ("--splicers", 2, "--days", 5, "--splices-per-day", 10)


def test_simulated_logs_import_whole(tmp_path: Path, arcdrift: Any) -> None:
    folder = tmp_path / "made"
    files = arcdrift("simulate", folder, *SMALL, "--json").data
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert {item["file"]: item["rows"] for item in files} == {
        name: counts["rows"] for name, counts in truth["files"].items()
    }
    full = [item["file"] for item in files if item["rows"]]
    done = arcdrift("import", *(folder / name for name in full), "--crew", folder, "--json")
    assert done.code == 0
    for item in done.data:
        assert item["accepted"] == truth["files"][item["file"]]["rows"]


def test_same_seed_same_bytes(tmp_path: Path, arcdrift: Any) -> None:
    for name in "ab":
        assert arcdrift("simulate", tmp_path / name, *SMALL, "--seed", 3).code == 0
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


def test_never_overwrites_unasked(tmp_path: Path, arcdrift: Any) -> None:
    arcdrift("simulate", tmp_path, *SMALL)
    done = arcdrift("simulate", tmp_path, *SMALL)
    assert done.code == 2
    assert "already holds" in done.sentence
    assert arcdrift("simulate", tmp_path, *SMALL, "--overwrite").code == 0


def test_refused(tmp_path: Path, arcdrift: Any) -> None:
    assert arcdrift("simulate", tmp_path / "x", "--days", 0).code == 2
    done = arcdrift("simulate", tmp_path / "x", "--splicers", 3, "--technicians", 2)
    assert done.code == 2
    assert "technicians" in done.sentence
    done = arcdrift("simulate", tmp_path / "x", "--start", "soon")
    assert done.code == 2
    assert "--start soon is not a date" in done.sentence
