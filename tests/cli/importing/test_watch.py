"""A folder that is watched: each file once, when it is finished, by its content."""

import os
import shutil
import signal
import subprocess
import sys
import time

import pytest

from arcdrift.cli.crew_folder import open_crew
from arcdrift.cli.importing import watch_folder
from arcdrift.cli.importing.watch_folder import FolderWatch
from arcdrift.store.imports.import_list import read_imports
from arcdrift.store.records.record_rows import read_records

LOG = "splicer,spliced_at,loss_db\nHeron,2026-05-04 08:00,0.02\n"
MORE = "Heron,2026-05-04 09:00,0.03\n"


@pytest.fixture
def drop(crew, tmp_path_factory):
    return tmp_path_factory.mktemp("drop")


@pytest.fixture
def look(crew, drop, monkeypatch, capsys):
    """Watches for some rounds; before each one something may be done to the folder."""

    def looks(*steps, **options):
        left = list(steps)

        def step(_seconds):
            if left:
                left.pop(0)()

        monkeypatch.setattr(watch_folder.time, "sleep", step)
        with open_crew(crew) as session:
            totals = FolderWatch(session, drop, interval_s=1, **options).run(rounds=len(steps))
            files = read_imports(session.engine)["file_name"].tolist()[::-1]
            rows = len(read_records(session.engine, "splices"))
        return totals, files, rows, capsys.readouterr()

    return looks


def nothing():
    pass


def test_a_file_is_read_once_when_it_rests(drop, look):
    path = drop / "splices.csv"

    def begin():
        path.write_text(LOG)

    def go_on():
        path.write_text(LOG + MORE)

    totals, files, rows, message = look(begin, go_on, nothing, nothing, nothing)
    assert files == ["splices.csv"]
    assert (totals.files, totals.accepted, rows) == (1, 2, 2)
    assert "splices.csv: 2 rows of splices, 2 accepted" in message.out
    assert "Stopped watching: 1 file read, 2 rows accepted" in message.out
    # another watch remembers
    assert look(nothing, nothing)[0].files == 0
    assert path.read_text() == LOG + MORE


def test_a_file_that_grew_later_is_read_again_and_adds_what_is_new(drop, look):
    path = drop / "splices.csv"
    path.write_text(LOG)
    look(nothing)
    totals, files, rows, _ = look(lambda: path.write_text(LOG + MORE), nothing)
    assert (totals.accepted, rows) == (1, 2)
    assert files == ["splices.csv", "splices.csv"]


def test_the_same_content_under_another_name_is_known(drop, look):
    (drop / "a.csv").write_text(LOG)
    (drop / "below").mkdir()
    shutil.copy(drop / "a.csv", drop / "below" / "b.csv")
    assert look(nothing)[1] == ["a.csv"]
    assert look(lambda: shutil.copy(drop / "a.csv", drop / "c.csv"), nothing, nothing)[0].files == 0


def test_a_file_imported_by_hand_is_known(crew, arcdrift, drop, look):
    (drop / "a.csv").write_text(LOG)
    assert arcdrift("import", drop / "a.csv").code == 0
    assert look(nothing, nothing)[1] == ["a.csv"]


def test_a_file_that_cannot_be_used_is_named_once_and_tried_when_it_changes(drop, look):
    path = drop / "a.csv"
    path.write_text("no,such,columns\n1,2,3\n")
    (drop / "b.csv").write_text(LOG)
    totals, files, _, message = look(nothing, nothing, nothing)
    assert files == ["b.csv"]
    assert message.err.count("a.csv is not recognized") == 1
    assert totals.refused == 1
    totals, files, _, message = look(nothing, nothing, lambda: path.write_text(LOG + MORE), nothing)
    assert files == ["b.csv", "a.csv"]
    assert message.err == ""


def test_what_cannot_be_read_is_named_once(drop, look, monkeypatch):
    path = drop / "a.csv"
    path.write_text(LOG)
    monkeypatch.setattr(os, "access", lambda place, _: place != path)
    _, files, _, message = look(nothing, nothing, nothing)
    assert message.err.splitlines() == [f"{path} cannot be read: permission denied."]
    assert files == []
    monkeypatch.undo()
    assert look(nothing)[1] == ["a.csv"]


def test_hidden_and_other_files_are_left_alone(drop, look):
    for name in (".a.csv", "~$a.xlsx", "notes.doc", "a.csv.part"):
        (drop / name).write_text(LOG)
    assert look(nothing, nothing)[1] == []


def test_new_rows_can_be_analyzed_at_once(drop, look):
    (drop / "a.csv").write_text(LOG)
    message = look(nothing, nothing, analyze=True)[3]
    assert message.out.count("analyzed: ") == 1


def test_a_folder_that_goes_away_is_waited_for(drop, look):
    (drop / "a.csv").write_text(LOG)
    away = drop.with_name("away")
    _, files, _, message = look(
        lambda: drop.rename(away), nothing, lambda: away.rename(drop), nothing, nothing
    )
    assert files == ["a.csv"]
    assert message.err.count("is not a folder that can be looked into") == 1


def test_wrong_use_is_refused(crew, arcdrift, drop):
    assert arcdrift("import").code == 2
    assert arcdrift("import", "a.csv", "--watch", drop).code == 2
    assert arcdrift("import", "--watch", drop, "--json").code == 2
    assert arcdrift("import", "--watch", drop / "absent").code == 3
    assert arcdrift("import", "--watch", drop, "--every", "0").code == 3


@pytest.mark.long  # the next test interrupts it within this process
def test_a_signal_ends_it_with_a_summary(crew, drop):
    (drop / "a.csv").write_text(LOG)
    words = ["import", "--watch", str(drop), "--every", "0.2", "--crew", str(crew)]
    program = [sys.executable, "-c", "from arcdrift.cli.main import run; run()", *words]
    with subprocess.Popen(
        program,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        # a long folder name makes the first sentence take two lines
        message = next(line for line in process.stdout if "a.csv" in line)
        time.sleep(0.1)
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=60)
    assert "a.csv: 1 row of splices, 1 accepted" in message
    assert out.startswith("Stopped watching: 1 file read, 1 rows accepted")
    assert (process.returncode, err) == (0, "")


def test_ctrl_c_ends_it_with_a_summary(crew, drop, arcdrift, monkeypatch):
    (drop / "a.csv").write_text(LOG)
    waits = iter([None, KeyboardInterrupt])

    def wait(_seconds):
        interruption = next(waits)
        if interruption is not None:
            raise interruption

    monkeypatch.setattr(watch_folder.time, "sleep", wait)
    done = arcdrift("import", "--watch", drop, "--every", "0.2", "--crew", crew)
    assert "a.csv: 1 row of splices, 1 accepted" in done.out
    assert done.out.splitlines()[-1].startswith("Stopped watching: 1 file read, 1 rows accepted")
    assert (done.code, done.err) == (0, "")
