"""The demonstration: every sample row accounted for, and running it twice changes nothing."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from arcdrift.cli.commands import demo
from arcdrift.simulate import add_faults, invented_crew, load_plan, simulate


@pytest.fixture(params=["small", pytest.param("shipped", marks=pytest.mark.long)])
def sample(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The sample logs, or those of a smaller crew that also has faults and broken rows."""
    if request.param == "shipped":
        return demo.sample_folder()
    folder = tmp_path / "sample"
    crew = invented_crew(splicers=2, days=56, splices_per_day=8)
    crew = add_faults(crew, load_plan("checks-skipped"))
    simulate(replace(crew, broken_rows=True), folder)
    monkeypatch.setattr(demo, "sample_folder", lambda: folder)
    return folder


def test_demo_twice(sample: Path, tmp_path: Path, arcdrift: Any) -> None:
    folder = tmp_path / "demo"
    done = arcdrift("demo", folder, "--no-serve")
    assert done.code == 0
    assert "an invented scenario" in done.out
    assert "every one is accounted for" in done.out
    assert "to act on" in done.out
    # a long folder name is broken over two lines
    assert f"arcdrift serve --crew {folder}".replace(" ", "") in "".join(done.out.split())

    # the simulator's own record of what it wrote and broke
    truth = json.loads((sample / "truth.json").read_text(encoding="utf-8"))
    first = {item["file"]: item for item in arcdrift("imports", "--crew", folder, "--json").data}
    assert set(first) == set(truth["files"])
    for name, item in first.items():
        counts = truth["files"][name]
        assert item["rows"] == counts["rows"], name
        assert item["quarantined"] == counts["broken"], name
        assert item["already_stored"] == counts["repeated"], name
        assert item["conflicting"] == 0, name

    findings = arcdrift("findings", "--crew", folder, "--json").data
    again = arcdrift("demo", folder, "--no-serve")
    assert again.code == 0
    imports = arcdrift("imports", "--crew", folder, "--json").data
    assert len(imports) == 8
    assert sum(item["accepted"] for item in imports[:4]) == 0
    assert sum(item["quarantined"] for item in imports[:4]) == 0
    now = arcdrift("findings", "--crew", folder, "--json").data
    assert [item["id"] for item in now] == [item["id"] for item in findings]


def test_demo_keeps_off_a_crew_of_somebodys_own(tmp_path: Path, arcdrift: Any) -> None:
    (tmp_path / "crew.toml").write_text('name = "Ours"\n', encoding="utf-8")
    done = arcdrift("demo", tmp_path, "--no-serve")
    assert done.code == 2
    assert "another crew" in done.sentence
    assert not (tmp_path / "arcdrift.db").exists()


def test_demo_keeps_off_other_files(tmp_path: Path, arcdrift: Any) -> None:
    (tmp_path / "letter.txt").write_text("Dear", encoding="utf-8")
    done = arcdrift("demo", tmp_path, "--no-serve")
    assert done.code == 2
    assert "is not empty" in done.sentence
