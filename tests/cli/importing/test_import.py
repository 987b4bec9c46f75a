"""Importing: the JSON scripts rely on, the sentences of bad files, exit codes."""

import errno
import os
from pathlib import Path
from typing import Any

import pytest

CHECKS_HEAD = "splicer,checked_at,outcome,arc_setting\n"
GOOD = CHECKS_HEAD + "Heron,2026-05-04 07:30,pass,100\n"


def without_seconds(reports: list[dict[str, Any]]) -> list[dict[str, Any]]:
    for report in reports:
        assert report.pop("seconds") >= 0
    return reports


def test_one_object_a_file(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("import", "arc-checks.csv", "splices.csv", "--json")
    assert done.code == 0
    assert done.err == ""
    assert without_seconds(done.data) == [
        {
            "file": "arc-checks.csv",
            "kind": "arc-checks",
            "import_id": 1,
            "lines": 4,
            "skipped": 0,
            "rows": 3,
            "accepted": 3,
            "already_stored": 0,
            "conflicting": 0,
            "quarantined": 0,
            "left_out": [],
        },
        {
            "file": "splices.csv",
            "kind": "splices",
            "import_id": 2,
            "lines": 8,
            "skipped": 0,
            "rows": 7,
            "accepted": 7,
            "already_stored": 0,
            "conflicting": 0,
            "quarantined": 0,
            "left_out": [],
        },
    ]


def test_again_adds_nothing(crew: Path, arcdrift: Any) -> None:
    arcdrift("import", "splices.csv")
    again = arcdrift("import", "splices.csv", "--json").data[0]
    assert (again["rows"], again["accepted"], again["already_stored"]) == (7, 0, 7)
    assert "Nothing new was added" in arcdrift("import", "splices.csv").out


BAD = {
    "empty": ("", "is empty"),
    "headers only": (CHECKS_HEAD, "has a header but no rows"),
    "no kind": ("a,b\n1,2\n", "is not recognized"),
    "spreadsheet": ("PK\x03\x04\n", "is damaged; copy the file again"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_file_is_one_sentence(case: str, crew: Path, arcdrift: Any) -> None:
    text, message = BAD[case]
    (crew / "bad.csv").write_text(text, encoding="utf-8")
    done = arcdrift("import", "bad.csv", "--json")
    assert done.code == 3
    assert message in done.sentence
    assert done.sentence.endswith(".")
    assert "bad.csv" in done.sentence
    assert done.data == []
    assert arcdrift("imports", "--json").data == []


def test_missing_file(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("import", "nowhere.csv")
    assert done.code == 3
    assert "nowhere.csv" in done.sentence
    assert done.out == ""


def test_folder_in_place_of_a_file(crew: Path, arcdrift: Any) -> None:
    (crew / "logs").mkdir()
    done = arcdrift("import", "logs")
    assert done.code == 3
    assert "logs" in done.sentence


def test_wrong_kind(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("import", "arc-checks.csv", "--kind", "splices")
    assert done.code == 3
    assert "is a file of arc-checks, not of splices" in done.sentence
    assert arcdrift("imports", "--json").data == []


def test_kind_that_is_none(crew: Path, arcdrift: Any) -> None:
    assert arcdrift("import", "arc-checks.csv", "--kind", "weather").code == 2


def test_local_times_without_any_zone(crew: Path, arcdrift: Any) -> None:
    (crew / "crew.toml").write_text('name = "Invented crew"\n', encoding="utf-8")
    done = arcdrift("import", "arc-checks.csv")
    assert done.code == 3
    assert "zone" in done.sentence
    assert arcdrift("imports", "--json").data == []


def test_layout_with_a_unit_that_cannot_be(crew: Path, arcdrift: Any) -> None:
    (crew / "weight.toml").write_text(
        'kind = "readings"\n[columns]\nread_at = "when"\nsite = "where"\n'
        'pressure_hpa = {header = "p", unit = "kg"}\n',
        encoding="utf-8",
    )
    (crew / "air.csv").write_text("when,where,p\n2026-05-04 07:30,Harbor,7\n", encoding="utf-8")
    done = arcdrift("import", "air.csv", "--layout", "weight.toml")
    assert done.code == 3
    assert "'kg' cannot measure pressure_hpa" in done.sentence
    assert arcdrift("imports", "--json").data == []


def test_rows_in_the_wrong_unit_are_kept_apart_with_the_mend(crew: Path, arcdrift: Any) -> None:
    (crew / "air.csv").write_text(
        "read_at,site,temperature_c,pressure_hpa\n"
        "2026-05-04 07:30,Harbor,12,1013\n"
        "2026-05-04 08:30,Harbor,12,29.9\n"
        "2026-05-04 09:30,Harbor,12,29.8\n",
        encoding="utf-8",
    )
    done = arcdrift("import", "air.csv")
    assert done.code == 0
    assert "2 rows, first at line 3: Pressure 29.9 hPa is below 450..1100 hPa" in done.out
    assert "arcdrift quarantine" in done.out


def test_good_files_beside_a_bad_one_are_imported(crew: Path, arcdrift: Any) -> None:
    (crew / "bad.csv").write_text("", encoding="utf-8")
    done = arcdrift("import", "arc-checks.csv", "bad.csv", "splices.csv", "--json")
    assert done.code == 3
    assert [report["file"] for report in done.data] == ["arc-checks.csv", "splices.csv"]
    assert "bad.csv" in done.sentence
    assert len(arcdrift("imports", "--json").data) == 2


def test_imports_and_undo(crew: Path, arcdrift: Any) -> None:
    arcdrift("import", "arc-checks.csv", "splices.csv")
    newest, oldest = arcdrift("imports", "--json").data
    assert set(newest) == {
        "import_id",
        "file",
        "kind",
        "imported_at",
        "undone_at",
        "sha256",
        "size_bytes",
        "lines",
        "rows",
        "accepted",
        "already_stored",
        "conflicting",
        "quarantined",
        "seconds",
    }
    assert (newest["import_id"], oldest["import_id"]) == (2, 1)
    assert oldest["size_bytes"] == (crew / "arc-checks.csv").stat().st_size
    assert newest["undone_at"] is None

    assert arcdrift("imports", "undo", 2).code == 0
    undone = arcdrift("imports", "--json").data[0]
    assert undone["undone_at"].endswith("Z")
    assert "undone" in arcdrift("imports").out
    assert arcdrift("import", "splices.csv", "--json").data[0]["accepted"] == 7


@pytest.mark.parametrize("place", ["before", "after"])
def test_undo_finds_the_crew_on_either_side(
    place: str, crew: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    arcdrift("import", "arc-checks.csv")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    option = ["--crew", crew]
    words = (
        ["imports", *option, "undo", 1] if place == "before" else ["imports", "undo", 1, *option]
    )
    assert arcdrift(*words).code == 0


@pytest.mark.parametrize(("again", "message"), [(9, "no import 9"), (1, "undone before")])
def test_undo_refused(again: int, message: str, crew: Path, arcdrift: Any) -> None:
    arcdrift("import", "arc-checks.csv")
    arcdrift("imports", "undo", 1)
    done = arcdrift("imports", "undo", again)
    assert done.code == 2
    assert message in done.sentence


def test_a_file_that_may_not_be_read_is_three(crew, arcdrift, monkeypatch):
    """Permissions do not hold back every user, so the system's answers are taken over here."""
    allowed, opened = os.access, Path.open

    def access(path, mode, **more):
        return allowed(path, mode, **more) and not (
            mode == os.R_OK and str(path).endswith(("splices.csv", "crew.toml"))
        )

    def open_file(path, *words, **more):
        if path.name == "splices.csv":
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return opened(path, *words, **more)

    monkeypatch.setattr(os, "access", access)
    monkeypatch.setattr(Path, "open", open_file)
    for words in (["import", "splices.csv"], ["layout", "splices.csv"]):
        done = arcdrift(*words)
        assert done.code == 3, words
        assert done.sentence == "splices.csv cannot be read: permission denied."
    done = arcdrift("import", "splices.csv", "arc-checks.csv")
    assert done.code == 3
    assert "arc-checks.csv" in done.out
    assert "Not imported: splices.csv." in done.out
