"""What the import command may be given: folders, patterns, archives, workbooks, standard input."""

import io
import shutil
import sys
import zipfile
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import openpyxl
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900, to_excel

from arcdrift.store.database.connect import open_store
from arcdrift.store.records.record_rows import read_records

HEAD = "splicer,checked_at,outcome,arc_setting\n"


@pytest.fixture
def logs(crew: Path) -> Path:
    """The crew's two logs in a folder, with things beside them that are no logs."""
    folder = crew / "logs"
    (folder / "week 1" / ".git").mkdir(parents=True)
    shutil.move(crew / "arc-checks.csv", folder / "week 1" / "checks.csv")
    shutil.move(crew / "splices.csv", folder / "all.csv")
    (folder / "photo.jpg").write_bytes(b"x")
    (folder / ".all.csv").write_bytes(b"x")
    (folder / "week 1" / ".git" / "x.csv").write_bytes(b"x")
    return folder


def names(done: Any) -> list[str]:
    return [report["file"] for report in done.data]


def test_a_folder(logs: Path, arcdrift: Any) -> None:
    done = arcdrift("import", "logs", "--json")
    assert done.code == 0
    assert names(done) == ["all.csv", "week 1/checks.csv"]
    assert done.sentence == "Passed over in logs: 2 hidden, and 1 file not named like a log."


def test_a_folder_without_logs(crew: Path, arcdrift: Any) -> None:
    (crew / "none").mkdir()
    done = arcdrift("import", "none")
    assert done.code == 3
    assert done.sentence.startswith("none holds no file that is named like a log (.csv")
    assert done.out == ""


def test_a_pattern_that_no_shell_filled_in(logs: Path, arcdrift: Any) -> None:
    assert names(arcdrift("import", "logs/*.csv", "--json")) == ["all.csv"]
    done = arcdrift("import", "logs/**/c*.csv", "--json")
    assert names(done) == ["checks.csv"]
    done = arcdrift("import", "*.tsv")
    assert done.code == 3
    assert done.sentence == "No file matches '*.tsv'; check the pattern."


def test_a_file_whose_name_looks_like_a_pattern(logs: Path, arcdrift: Any) -> None:
    shutil.copy(logs / "all.csv", logs / "all[1].csv")
    assert names(arcdrift("import", "logs/all[1].csv", "--json")) == ["all[1].csv"]


def test_a_file_given_twice_is_read_once(logs: Path, arcdrift: Any) -> None:
    assert names(arcdrift("import", "logs/all.csv", "logs/*.csv", "--json")) == ["all.csv"]


def typed(monkeypatch: pytest.MonkeyPatch, content: bytes) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(content)))


def test_standard_input(crew: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    typed(monkeypatch, (crew / "splices.csv").read_bytes())
    done = arcdrift("import", "-", "--kind", "splices", "--json")
    assert (done.code, names(done)) == (0, ["(standard input)"])
    typed(monkeypatch, (crew / "splices.csv").read_bytes())
    done = arcdrift("import", "-", "--kind", "arc-checks", "--json")
    assert done.code == 3
    assert "(standard input) is a file of splices" in done.sentence
    typed(monkeypatch, b"")
    assert arcdrift("import", "-").sentence == "(standard input) is empty."


def test_standard_input_under_a_layout(
    crew: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    (crew / "own.toml").write_text(
        'kind = "arc-checks"\ndelimiter = "semicolon"\ndecimal = ","\nencoding = "windows-1252"\n'
        '[columns]\nsplicer = "Gerät"\nchecked_at = "am"\noutcome = "wie"\narc_setting = "wert"\n',
        encoding="utf-8",
    )
    typed(monkeypatch, "Gerät;am;wie;wert\nHäher;2026-05-04 07:30;pass;1,5\n".encode("cp1252"))
    done = arcdrift("import", "-", "--layout", "own.toml", "--json")
    assert [report["accepted"] for report in done.data] == [1]


def test_a_layout_meant_for_csv_fits_a_workbook(crew: Path, arcdrift: Any) -> None:
    (crew / "own.toml").write_text(
        'kind = "arc-checks"\ndelimiter = "semicolon"\ndecimal = ","\n'
        '[columns]\nsplicer = "Gerät"\nchecked_at = "am"\noutcome = "wie"\narc_setting = "wert"\n',
        encoding="utf-8",
    )
    book = openpyxl.Workbook()
    book.active.append(["made for the meeting"])
    sheet = book.create_sheet("Mai")
    sheet.append(["Gerät", "am", "wie", "wert"])
    sheet.append(["Häher", "2026-05-04 07:30", "pass", 1.5])
    book.save(crew / "book.xlsx")
    done = arcdrift("import", "book.xlsx", "--layout", "own.toml", "--json")
    assert [(r["file"], r["accepted"]) for r in done.data] == [("book.xlsx/Mai", 1)]
    assert done.sentence.startswith("Passed over the sheet 'Sheet' of book.xlsx")


def test_notes_beside_the_table_of_a_sheet_are_left_out_with_a_word(
    crew: Path, arcdrift: Any
) -> None:
    book = openpyxl.Workbook()
    for cells in (HEAD.strip().split(","), ["Heron", "2026-05-07 07:30", "pass", 1.5, None, "ask"]):
        book.active.append(cells)
    book.active.append(["Heron", "2026-05-08 07:30", "pass", 1.5])
    book.save(crew / "book.xlsx")
    done = arcdrift("import", "book.xlsx")
    assert done.code == 0
    assert "book.xlsx/Sheet: left out, because they have no name: column 6." in done.out
    assert " 2         2        0         0        0" in done.out


@pytest.mark.parametrize("epoch", [CALENDAR_WINDOWS_1900, CALENDAR_MAC_1904])
def test_day_numbers_count_from_the_first_day_of_the_workbook(
    epoch: datetime, crew: Path, arcdrift: Any
) -> None:
    book = openpyxl.Workbook()
    book.epoch = epoch
    book.active.append(HEAD.strip().split(","))
    for minute in (0, 30):
        at = datetime(2026, 5, 7, 7, minute)
        setting = 1.5 if minute else 99_999_999.0  # openpyxl gives its own numbers for times
        book.active.append(["Plover", to_excel(at, epoch), "pass", setting])
    book.save(crew / "book.xlsx")
    assert arcdrift("import", "book.xlsx", "--json").data[0]["accepted"] == 1
    # the row that is corrected counts from the same day
    assert arcdrift("quarantine", "--export", "wrong.csv").code == 0
    wrong = crew / "wrong.csv"
    wrong.write_text(wrong.read_text(encoding="utf-8").replace("99999999", "1.5"), encoding="utf-8")
    assert arcdrift("import", "wrong.csv", "--json").data[0]["accepted"] == 1
    engine = open_store(crew)
    checks = read_records(engine, "arc-checks", splicers=["Plover"])
    engine.dispose()
    local = checks["checked_at"].dt.tz_convert("Europe/Oslo")
    times = sorted(local.dt.strftime("%F %H:%M"))
    assert times == ["2026-05-07 07:00", "2026-05-07 07:30"]


def test_an_archive_with_a_bad_member(crew: Path, arcdrift: Any) -> None:
    with zipfile.ZipFile(crew / "week.zip", "w") as archive:
        archive.write(crew / "splices.csv", "splices.csv")
        archive.writestr("../out.csv", HEAD)
        archive.writestr("bad.csv", "one,two\n1,2\n")
        archive.write(crew / "arc-checks.csv", "arc-checks.csv")
    done = arcdrift("import", "week.zip", "--json")
    assert done.code == 3
    assert names(done) == ["week.zip/splices.csv", "week.zip/arc-checks.csv"]
    first, second = done.err.splitlines()
    assert first == "week.zip/../out.csv points out of the archive and was left in it."
    assert second.startswith("week.zip/bad.csv is not recognized")

    again = arcdrift("import", "week.zip")
    assert again.code == 3
    assert "Not imported: week.zip/../out.csv, week.zip/bad.csv." in again.out
    assert "Nothing new was added" in again.out
    imports = arcdrift("imports", "--json").data
    assert {row["file"] for row in imports} == {"week.zip/splices.csv", "week.zip/arc-checks.csv"}
    assert {row["accepted"] for row in imports} == {0, 3, 7}


def test_the_row_of_a_sheet_is_the_line_a_person_is_told(crew: Path, arcdrift: Any) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    for cells in ([], [None, *HEAD.strip().split(",")]):
        sheet.append(cells)
    sheet["B5"], sheet["C5"], sheet["D5"] = "Heron", "2026-05-04 07:30", "perhaps"
    book.save(crew / "book.xlsx")
    done = arcdrift("import", "book.xlsx")
    assert done.code == 0
    assert "Line 5: outcome 'perhaps' is not one of" in done.out
