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


def test_faults_by_name_by_file_and_by_chance(tmp_path: Path, arcdrift: Any) -> None:
    def planted(*options: Any) -> list[str]:
        folder = tmp_path / str(len(list(tmp_path.iterdir())))
        assert arcdrift("simulate", folder, "--splicers", 3, "--days", 20, *options).code == 0
        truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        return [fault["kind"] for fault in truth["faults"]]

    plan = tmp_path / "mine.toml"
    plan.write_text("[[faults]]\nkind = 'arc-step'\nstart = 9\nsize = 12\n", encoding="utf-8")
    assert planted() == []
    assert planted("--faults", "none") == []
    assert planted("--faults", plan) == ["arc-step"]
    assert planted("--faults", "optimistic-estimator") == ["estimate-optimistic"]
    assert len(planted("--faults", "some")) >= 1


def test_sites_and_formats(tmp_path: Path, arcdrift: Any) -> None:
    done = arcdrift("simulate", tmp_path, *SMALL, "--sites", 5, "--format", "parquet", "--json")
    assert [item["file"] for item in done.data] == [
        "arc-checks.parquet",
        "splices.parquet",
        "readings.parquet",
        "service.parquet",
    ]
    crew = (tmp_path / "crew.toml").read_text(encoding="utf-8")
    assert crew.count("[sites.") == 5


def test_faults_that_cannot_be_are_refused(tmp_path: Path, arcdrift: Any) -> None:
    done = arcdrift("simulate", tmp_path / "x", *SMALL, "--faults", "arc-stp")
    assert done.code == 3
    assert "Did you mean arc-step?" in done.sentence
    done = arcdrift("simulate", tmp_path / "x", *SMALL, "--faults", "arc-step")
    assert done.code == 2
    assert "outside the simulated days" in done.sentence
    assert arcdrift("simulate", tmp_path / "x", "--sample", "--format", "parquet").code == 2
    assert not (tmp_path / "x").exists()
