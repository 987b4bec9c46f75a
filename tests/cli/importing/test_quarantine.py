"""Rows kept apart: listed, mended in a spreadsheet, decided, given up."""

import csv
import shutil
from pathlib import Path
from typing import Any

import pytest

from arcdrift.errors import UsageError
from arcdrift.intake.storing import conflict_decisions
from arcdrift.intake.storing.import_file import import_file
from arcdrift.intake.storing.quarantine_export import OWN
from arcdrift.settings import load_crew
from arcdrift.store.database.connect import open_store
from arcdrift.store.imports.set_aside_rows import read_conflicting, read_quarantined
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.results.store_versions import store_version
from tests.cli.conftest import furnish
from tests.empty_store import empty_store

HEAD = "splicer,checked_at,outcome,arc_setting,remark\n"
BROKEN = (
    HEAD
    + "Heron,2026-05-04 07:30,pass,100,\n"
    + "Heron,2026-05-05 07:30,perhaps,100,=cmd()\n"
    + 'Kestrel,2026-05-06 07:30,perhaps,0100,"two\nlines, really"\n'
    + "Kestrel,2026-05-07 07:30,pass,x,'quoted\n"
    + "Plover,2026-05-08\n"
)


@pytest.fixture(scope="module")
def broken_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The crew with a log of four broken rows imported; to be copied, never changed."""
    folder = tmp_path_factory.mktemp("broken")
    furnish(folder)
    (folder / "some.csv").write_text(BROKEN, encoding="utf-8")
    engine = empty_store(folder)
    report = import_file(engine, load_crew(folder), folder / "some.csv")
    engine.dispose()
    assert report.balance.quarantined == 4
    return folder


@pytest.fixture
def broken(broken_once: Path, crew: Path) -> Path:
    """A copy of the crew with broken rows, which is also the current folder."""
    shutil.copytree(broken_once, crew, dirs_exist_ok=True)
    return crew


def saved_by_a_spreadsheet(path: Path, change: Any, *, delimiter: str = ",") -> None:
    """Read all cells, change them and write them anew, as a spreadsheet does."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.reader(file))
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        csv.writer(file, delimiter=delimiter).writerows(change(rows))


def test_groups_say_what_is_wrong_and_where(broken: Path, arcdrift: Any) -> None:
    shown = " ".join(arcdrift("quarantine").out.split())
    assert "4 rows in quarantine" in shown
    assert "2 rows, first at line 3 of some.csv: outcome 'perhaps' is not one of" in shown
    assert "1 row, line 7 of some.csv: The row has fewer cells than the header" in shown
    assert "1, 2" in shown or "1..2" in shown


def test_rows_as_json(broken: Path, arcdrift: Any) -> None:
    rows = arcdrift("quarantine", "--json").data
    assert [row["line"] for row in rows] == [3, 4, 6, 7]
    assert rows[0] == {
        "id": 1,
        "import_id": 1,
        "file": "some.csv",
        "kind": "arc-checks",
        "line": 3,
        "last_line": 3,
        "column": "outcome",
        "code": "word-unknown",
        "message": rows[0]["message"],
        "raw": "Heron,2026-05-05 07:30,perhaps,100,=cmd()",
    }
    chosen = arcdrift("quarantine", "--code", "number-unreadable", "--json").data
    assert [row["line"] for row in chosen] == [6]
    assert "No row is in quarantine" in arcdrift("quarantine", "--code", "nul-byte").out


def test_quarantine_of_one_import(crew: Path, arcdrift: Any) -> None:
    arcdrift("import", "arc-checks.csv")
    assert arcdrift("quarantine", "--import", 1, "--json").data == []
    assert "No row is in quarantine" in arcdrift("quarantine").out
    done = arcdrift("quarantine", "--import", 5)
    assert done.code == 2
    assert "no import 5" in done.sentence


@pytest.mark.parametrize("delimiter", [pytest.param(",", marks=pytest.mark.long), ";"])
def test_mended_rows_leave_the_list_and_come_back(
    delimiter: str, broken: Path, arcdrift: Any
) -> None:
    assert (
        "Wrote 4 rows of arc-checks to rows.csv"
        in arcdrift("quarantine", "--export", "rows.csv").out
    )
    content = (broken / "rows.csv").read_bytes()
    assert content.startswith(b"\xef\xbb\xbf")
    with (broken / "rows.csv").open(encoding="utf-8-sig", newline="") as file:
        written = list(csv.reader(file))
    assert written[0] == [*OWN, *HEAD.strip().split(",")]
    assert written[1][5:] == ["Heron", "'2026-05-05 07:30", "perhaps", "100", "'=cmd()"]
    assert written[2][8:] == ["'0100", "two\nlines, really"]
    assert written[3][9] == "''quoted"
    assert written[4][5:] == ["Plover", "'2026-05-08"]

    def mend(rows: list[list[str]]) -> list[list[str]]:
        rows[1][7] = "pass"  # mended
        rows[3][8] = "still not"  # looked at, not mended
        del rows[2]  # left for later
        rows[3][5:] = ["Plover", "2026-05-08 07:00", "fail", "", ""]  # mended, typed anew
        return rows

    saved_by_a_spreadsheet(broken / "rows.csv", mend, delimiter=delimiter)
    counts = arcdrift("import", "rows.csv", "--json").data[0]
    assert (counts["accepted"], counts["already_stored"], counts["quarantined"]) == (2, 1, 0)
    assert [row["line"] for row in arcdrift("quarantine", "--json").data] == [4, 6]
    store = open_store(broken)
    frame = read_records(store, "arc-checks")
    assert list(frame["remark"].fillna("")) == ["", "=cmd()", ""]
    closed = read_quarantined(store, closed=True)
    assert closed["closed_by"].dropna().tolist() == [2, 2]
    # neither the log nor the corrected file adds anything once more
    for file in ("some.csv", "rows.csv"):
        again = arcdrift("import", file, "--json").data[0]
        assert again["already_stored"] == again["rows"]
    assert len(arcdrift("quarantine", "--json").data) == 2
    arcdrift("imports", "undo", 2)
    assert len(read_records(store, "arc-checks")) == 3  # what was brought again stays
    arcdrift("imports", "undo", 4)
    assert [row["line"] for row in arcdrift("quarantine", "--json").data] == [3, 4, 6, 7]
    assert len(read_records(store, "arc-checks")) == 1
    store.dispose()


def test_rows_that_are_still_wrong_are_said(broken: Path, arcdrift: Any) -> None:
    arcdrift("quarantine", "--export", "rows.csv")

    def change(rows: list[list[str]]) -> list[list[str]]:
        rows[1][7] = "maybe"  # changed, and as wrong as before
        return rows[:2]

    saved_by_a_spreadsheet(broken / "rows.csv", change)
    said = " ".join(arcdrift("import", "rows.csv").out.split())
    assert "rows.csv: still wrong, and kept apart as before:" in said
    assert "Line 2:" in said
    assert "maybe" in said
    assert "Correct these rows and import the file again." in said
    assert len(arcdrift("quarantine", "--json").data) == 4


def test_rows_of_several_kinds_go_to_several_files(broken: Path, arcdrift: Any) -> None:
    (broken / "more.csv").write_text(
        "asset,serviced_at,action\nHeron,x,cleaned\n", encoding="utf-8"
    )
    arcdrift("import", "more.csv")
    message = arcdrift("quarantine", "--export", "rows.csv").out
    assert "Wrote 4 rows of arc-checks to rows-1.csv" in message
    assert "Wrote 1 row of service to rows-2.csv" in message
    assert arcdrift("quarantine", "--export", "rows.csv").code == 2
    done = arcdrift("quarantine", "--export", broken / "no" / "rows.csv")
    assert done.code == 3
    assert "cannot be written" in done.sentence


def test_the_layout_of_rows_is_that_of_their_log(crew: Path, arcdrift: Any) -> None:
    layout = (
        'kind = "readings"\nskip_lines = 1\ndelimiter = "semicolon"\ndecimal = ","\n[columns]\n'
        'read_at = "time"\nsite = "place"\ntemperature_c = "temp"\n'
    )
    (crew / "ours.toml").write_text(layout, encoding="utf-8")
    (crew / "air.csv").write_text(
        "Logger\ntime;place;temp\n2026-05-04 07:30;Harbor;3,5\n2026-05-04 08:30;Harbor;wet\n",
        encoding="utf-8",
    )
    arcdrift("import", "air.csv", "--layout", "ours.toml")
    message = " ".join(arcdrift("quarantine", "--export", "rows.csv").out.split())
    assert "`arcdrift import rows.csv`" in message
    assert not (crew / "rows.toml").exists()
    saved_by_a_spreadsheet(
        crew / "rows.csv", lambda rows: [rows[0], [*rows[1][:-1], "4,5"]], delimiter=";"
    )
    counts = arcdrift("import", "rows.csv", "--json").data[0]
    assert counts["accepted"] == 1
    assert arcdrift("quarantine", "--json").data == []


def test_rows_given_up(broken: Path, arcdrift: Any) -> None:
    done = arcdrift("quarantine", "drop", 1, 2, "--why", "the pages are lost", "--by", "Cedar")
    assert "2 rows given up by Cedar: the pages are lost." in done.out
    assert [row["id"] for row in arcdrift("quarantine", "--json").data] == [3, 4]
    store = open_store(broken)
    closed = read_quarantined(store, closed=True).set_index("id").loc[1]
    store.dispose()
    assert (closed["closed_who"], closed["closed_why"]) == ("Cedar", "the pages are lost")
    again = arcdrift("import", "some.csv", "--json").data[0]
    assert again["already_stored"] == again["rows"]
    for number, message in ((1, "closed already"), (77, "no quarantined row 77")):
        refused = arcdrift("quarantine", "drop", number, "--why", "x")
        assert refused.code == 2
        assert message in refused.sentence


@pytest.fixture(scope="module")
def rivals_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The crew with two logs imported that contradict each other; to be copied, never changed."""
    folder = tmp_path_factory.mktemp("rivals")
    furnish(folder)
    head = "splicer,spliced_at,loss_db,splice_number,technician\n"
    engine, conflicting_rows = empty_store(folder), []
    for name, values in (("a.csv", "0.02,7,Alder"), ("b.csv", "0.09,7,Birch")):
        log = folder / name
        log.write_text(f"{head}Heron,2026-05-04 08:00:01,{values}\n", encoding="utf-8")
        report = import_file(engine, load_crew(folder), log)
        conflicting_rows.append(report.balance.conflicting)
    engine.dispose()
    assert conflicting_rows == [0, 1]
    return folder


@pytest.fixture
def rivals(rivals_once: Path, crew: Path) -> Path:
    """A copy of the crew whose logs contradict each other, which is also the current folder."""
    shutil.copytree(rivals_once, crew, dirs_exist_ok=True)
    return crew


def test_conflicts_side_by_side(rivals: Path, arcdrift: Any) -> None:
    (conflict,) = arcdrift("quarantine", "conflicts", "--json").data
    assert (conflict["file"], conflict["line"], conflict["who"]) == ("b.csv", 2, "Heron")
    assert conflict["differs"] == {
        "loss_db": {"stored": 0.02, "in_file": 0.09},
        "technician": {"stored": "Alder", "in_file": "Birch"},
    }
    shown = arcdrift("quarantine", "conflicts").out
    assert "0.02 -> 0.09" in shown
    assert "Alder -> Birch" in shown
    assert arcdrift("quarantine", "conflicts", "--import", 1, "--json").data == []


@pytest.mark.parametrize(
    ("choice", "loss", "undone", "left"),
    [
        ("old", 0.02, 1, 0.09),
        pytest.param("new", 0.09, 2, 0.02, marks=pytest.mark.long),
        pytest.param("old", 0.02, 2, 0.02, marks=pytest.mark.long),
        pytest.param("new", 0.09, 1, 0.09, marks=pytest.mark.long),
    ],
)
def test_a_decision_and_undoing_what_it_rests_on(
    choice: str, loss: float, undone: int, left: float, rivals: Path, arcdrift: Any
) -> None:
    store = open_store(rivals)
    before = store_version(store)
    done = arcdrift("quarantine", "keep", choice, 1, "--by", "Cedar", "--json").data
    assert done == {"kept": choice, "conflicts": 1, "by": "Cedar"}
    assert store_version(store) != before
    assert arcdrift("quarantine", "conflicts", "--json").data == []
    (row,) = arcdrift("quarantine", "conflicts", "--decided", "--json").data
    assert (row["kept"], row["decided_by"]) == (choice, "Cedar")
    assert row["decided_at"].endswith("Z")
    assert row["differs"]["loss_db"] == {"stored": 0.02, "in_file": 0.09}
    frame = read_records(store, "splices")
    assert (frame["loss_db"].tolist(), frame["import_id"].tolist()) == ([loss], [1])
    arcdrift("import", "a.csv", "b.csv")  # says nothing new
    assert read_records(store, "splices")["loss_db"].tolist() == [loss]
    for number in (3, 4):
        arcdrift("imports", "undo", number)
    arcdrift("imports", "undo", undone)
    frame = read_records(store, "splices")
    assert (frame["loss_db"].tolist(), frame["import_id"].tolist()) == ([left], [3 - undone])
    assert read_conflicting(store, decided=True).empty
    store.dispose()


def test_decisions_refused(rivals: Path, arcdrift: Any) -> None:
    assert arcdrift("quarantine", "keep", "new").code == 2
    assert arcdrift("quarantine", "keep", "both", 1).code == 2
    assert "no conflict 9" in arcdrift("quarantine", "keep", "new", 9).sentence
    assert (
        "1 conflict decided" in arcdrift("quarantine", "keep", "new", "--all", "--by", "Cedar").out
    )
    assert "was decided before" in arcdrift("quarantine", "keep", "old", 1).sentence
    store = open_store(rivals)
    with pytest.raises(UsageError, match="Say why"):
        conflict_decisions.close_rows(store, [1], why=" ", by="Cedar")
    store.dispose()


def test_a_log_mended_where_it_came_from_empties_the_list(broken: Path, arcdrift: Any) -> None:
    (broken / "some.csv").write_text(BROKEN.replace("perhaps", "fail"), encoding="utf-8")
    message = arcdrift("import", "some.csv").out
    assert "some.csv: 2 rows kept apart by earlier imports left the quarantine." in message
    assert [row["line"] for row in arcdrift("quarantine", "--json").data] == [6, 7]
    arcdrift("imports", "undo", 2)
    assert [row["line"] for row in arcdrift("quarantine", "--json").data] == [3, 4, 6, 7]


def test_a_problem_code_that_is_none_is_refused(crew, arcdrift):
    done = arcdrift("quarantine", "--code", "nope")
    assert done.code == 2
    assert (
        "There is no problem code 'nope'; known are cell-not-parted, cells-extra," in done.sentence
    )
    assert "word-unknown" in done.sentence
    assert "time-too-old" in arcdrift("quarantine", "--code", "time-too-odd").sentence
    assert (
        "No row is in quarantine for this choice"
        in arcdrift("quarantine", "--code", "nul-byte").out
    )
