"""Drafting layouts, and finding the one that fits a file."""

import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest

LOG = (
    "Date/Time,Machine,Est. Loss (dB),Temp (F),Result,Shift\n"
    "05/04/2025 9:05 AM,Heron,0.02,71.6,OK,A\n"
    "05/13/2025 1:15 PM,Heron,0.31,68,NG,B\n"
    "05/14/2025 1:15 PM,Heron,x,68,OK,B\n"
)
BOTH = LOG.replace("05/13", "05/12").replace("05/14", "05/12")
BOTH = BOTH.replace("(F),", "(C),").replace("71.6", "21.6")
"""Two days that fit both orders, and nothing that says where they were written."""


@pytest.fixture
def log(crew: Path) -> Path:
    path = crew / "log.csv"
    path.write_text(LOG, encoding="utf-8")
    return path


def test_a_draft_is_written_and_tried(log: Path, arcdrift: Any) -> None:
    done = arcdrift("layout", "log.csv")
    assert done.code == 0
    raw = tomllib.loads((log.parent / "layouts" / "log.toml").read_text(encoding="utf-8"))
    assert raw["kind"] == "splices"
    assert raw["time_format"] == "%m/%d/%Y %I:%M %p"
    assert raw["columns"]["temperature_c"] == {"header": "Temp (F)", "unit": "degF"}
    assert "Wrote layouts/log.toml: a layout for splices with 5 of the file's headers." in done.out
    assert "Tried on the file: 2 of 3 rows would be accepted." in done.out
    assert "Line 4: Estimated loss 'x' is not a number" in done.out
    assert "Next: `arcdrift import log.csv`." in done.out
    assert done.sentence == (
        "Left out: 'Shift'; map it under columns in layouts/log.toml to read it."
    )
    assert arcdrift("imports", "--json").data == []


def test_as_json(log: Path, arcdrift: Any) -> None:
    data = arcdrift("layout", "log.csv", "--json").data
    problems = data["trials"][0].pop("problems")
    assert len(problems) == 1
    assert data == {
        "layout": "layouts/log.toml",
        "file": "log.csv",
        "kind": "splices",
        "already_fits": False,
        "matched": 5,
        "not_recognized": ["Shift"],
        "not_found": [],
        "orders": [],
        "undecided": {},
        "trials": [{"order": None, "rows": 3, "sound": 2, "skipped": 0}],
        "trouble": [],
    }


def test_nothing_is_overwritten_unasked(log: Path, arcdrift: Any) -> None:
    own_layout = log.parent / "own.toml"
    own_layout.write_text("mine", encoding="utf-8")
    done = arcdrift("layout", "log.csv", "--out", "own.toml")
    assert done.code == 2
    assert done.sentence == "own.toml is already there; give --overwrite to replace it."
    assert own_layout.read_text(encoding="utf-8") == "mine"
    assert arcdrift("layout", "log.csv", "--out", "own", "--overwrite").code == 0
    assert tomllib.loads(own_layout.read_text(encoding="utf-8"))["kind"] == "splices"


def test_an_order_of_dates_that_nothing_tells(log: Path, arcdrift: Any) -> None:
    log.write_text(BOTH, encoding="utf-8")
    done = arcdrift("layout", "log.csv")
    assert done.code == 0
    assert done.err.splitlines()[0] == (
        "Decide the order of dates such as 05/04/2025 9:05 AM: day first and month first fit "
        "every value; choose a time_format in layouts/log.toml, or draft again with --day-first "
        "or --month-first."
    )
    assert "Tried on the file, read day first: 2 of 3 rows would be accepted." in done.out
    assert "Tried on the file, read month first: 2 of 3 rows would be accepted." in done.out
    refused = arcdrift("import", "log.csv")
    assert refused.code == 3
    assert (
        "The layout log.toml leaves time_format open; decide it there, then take out the line "
        "that begins with undecided." in refused.err
    )
    arcdrift("layout", "log.csv", "--month-first", "--overwrite")
    report = arcdrift("import", "log.csv", "--json").data[0]
    assert (report["kind"], report["accepted"], report["quarantined"]) == ("splices", 2, 1)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (
            ["--day-first", "--month-first"],
            "--day-first and --month-first exclude each other; keep one.",
        ),
        (
            ["--time-zone", "Oslo"],
            "--time-zone: time zone 'Oslo' is not known; use a name such as Europe/Oslo.",
        ),
        (
            ["--day-first"],
            "The dates in log.csv, such as '05/13/2025 1:15 PM', cannot be read day first; they "
            "are month first.",
        ),
    ],
)
def test_options_that_cannot_be(
    options: list[str], sentence: str, log: Path, arcdrift: Any
) -> None:
    done = arcdrift("layout", "log.csv", *options)
    assert done.code in (2, 3)
    assert done.sentence == sentence
    assert not (log.parent / "layouts").exists()


def test_without_a_crew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arcdrift: Any) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("ARCDRIFT_CREW", raising=False)
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    done = arcdrift("layout", "log.csv", "--time-zone", "America/Denver")
    assert done.code == 0
    raw = tomllib.loads((tmp_path / "log.toml").read_text(encoding="utf-8"))
    assert raw["time_zone"] == "America/Denver"
    assert "`arcdrift import log.csv --layout log.toml`" in done.out


def test_import_finds_the_one_layout_that_fits(log: Path, arcdrift: Any) -> None:
    arcdrift("layout", "log.csv")
    done = arcdrift("import", "log.csv", "splices.csv", "--json")
    assert done.code == 0
    assert done.sentence == "log.csv is read with the layout log.toml."
    assert [report["accepted"] for report in done.data] == [2, 7]


def test_import_asks_when_several_layouts_fit(log: Path, arcdrift: Any) -> None:
    arcdrift("layout", "log.csv")
    folder = log.parent / "layouts"
    text = (folder / "log.toml").read_text(encoding="utf-8")
    (folder / "other.toml").write_text(f'missing = ["x"]\n{text}', encoding="utf-8")
    done = arcdrift("import", "log.csv")
    assert done.code == 3
    assert (
        "Several layouts fit log.csv: log.toml and other.toml; say which with --layout." in done.err
    )
    named = arcdrift("import", "log.csv", "--layout", "other", "--json")
    assert named.data[0]["accepted"] == 2


def test_a_file_that_a_layout_fits_already_needs_no_other(log: Path, arcdrift: Any) -> None:
    arcdrift("layout", "log.csv")
    folder = log.parent / "layouts"
    (log.parent / "june.csv").write_bytes(log.read_bytes())
    done = arcdrift("layout", "june.csv")
    assert done.code == 0
    assert done.out == (
        "layouts/log.toml already fits june.csv, so none was drafted; --overwrite drafts it anew.\n"
        "Next: `arcdrift import june.csv`.\n"
    )
    assert arcdrift("layout", "june.csv", "--json").data == {
        "layout": "layouts/log.toml",
        "file": "june.csv",
        "kind": "splices",
        "already_fits": True,
        "undecided": [],
    }
    assert [path.name for path in folder.iterdir()] == ["log.toml"]
    assert arcdrift("layout", "june.csv", "--out", "june", "--json").data["already_fits"] is False


def test_a_broken_layout_is_named_once_and_passed_over(log: Path, arcdrift: Any) -> None:
    folder = log.parent / "layouts"
    folder.mkdir()
    (folder / "broken.toml").write_text("kind =", encoding="utf-8")
    done = arcdrift("import", "splices.csv", "arc-checks.csv", "--json")
    assert done.code == 0
    assert [report["accepted"] for report in done.data] == [7, 3]
    assert done.sentence == (
        "The layout broken.toml is not valid TOML: Invalid value (at end of document). It is "
        "passed over."
    )


def test_layouts_for_other_files_are_left_alone(log: Path, arcdrift: Any) -> None:
    arcdrift("layout", "log.csv")
    done = arcdrift("import", "splices.csv", "--json")
    assert done.err == ""
    assert done.data[0]["accepted"] == 7


def test_skipped_lines_are_shown(log: Path, arcdrift: Any) -> None:
    text = "Made by the night shift\n" + LOG + "Total 3\n"
    log.write_text(text, encoding="utf-8")
    drafted = arcdrift("layout", "log.csv")
    assert "2 of 3 rows would be accepted; 2 lines skipped." in drafted.out
    assert (
        "log.csv: 2 lines left out, which are no rows of its table."
        in arcdrift("import", "log.csv").out
    )
    report = arcdrift("import", "log.csv", "--json").data[0]
    # 1 line of title, 1 of header, 3 rows, 1 line of footer
    assert (report["lines"], report["skipped"], report["rows"]) == (6, 2, 3)


BOOK = [
    ["Date/Time", "Machine", "Est. Loss (dB)", None, "Note", "Note"],
    [45789.51042, "Heron", 0.02, "left out", "a", "b"],
    [45790.51042, "Heron", 0.03, None, None, None],
]


def test_each_sheet_of_a_workbook_is_tried(crew: Path, arcdrift: Any) -> None:
    book = openpyxl.Workbook()
    book.active.title = "Notes"
    book.active.append(["what we did in May"])
    sheet = book.create_sheet("May")
    sheet.append(["made by the night shift"])
    for row in BOOK:
        sheet.append(row)
    named = book.create_sheet("Checks")
    named.append(["splicer", "checked_at", "outcome"])
    named.append(["Heron", datetime(2025, 5, 12, 9), "fail"])
    book.save(crew / "book.xlsx")
    done = arcdrift("layout", "book.xlsx")
    assert done.code == 0
    assert "Drafted from the sheet 'May'; book.xlsx also has 'Notes', 'Checks'" in done.err
    path = crew / "layouts" / "book.toml"
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    assert raw["columns"]["spliced_at"] == "Date/Time"
    assert raw["columns"]["remark"] == "Note"
    path.write_text(
        path.read_text(encoding="utf-8").replace('# "Note 2"', '"Note 2"'), encoding="utf-8"
    )
    done = arcdrift("import", "book.xlsx", "--json")
    assert [(report["file"], report["accepted"]) for report in done.data] == [
        ("book.xlsx/May", 2),
        ("book.xlsx/Checks", 1),
    ]
    assert done.data[0]["left_out"] == [4]
    assert "none of its first rows is the header of a log" in done.err
    again = arcdrift("import", "book.xlsx").out
    assert "book.xlsx/May: left out, because they have no name: column 4." in again
