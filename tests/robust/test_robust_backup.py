"""A full disk, a kill or Ctrl-C during a backup: earlier ones stay, and none is half."""

import random
import signal
import sqlite3
import subprocess
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from arcdrift.backup.restoring import restore_backup
from arcdrift.backup_files import BACKUPS, backups_in, newest_backup
from tests.robust.tools import PROGRAM, everything, long_run, write_log

resource = pytest.importorskip("resource", reason="limits on file sizes are a thing of POSIX")


@pytest.fixture
def with_backup(crew: Path, at_hand: Any) -> Path:
    """A crew with a log and a backup."""
    log = crew.parent / "log.csv"
    write_log(log, 3_000)
    assert at_hand("import", log).returncode == 0
    assert at_hand("backup").returncode == 0
    return crew


def limit(size: int) -> Any:
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


@pytest.mark.parametrize(
    "size",
    [
        300_000,  # the copy of the store does not fit
        pytest.param(80_000, marks=pytest.mark.long),
        pytest.param(700_000, marks=pytest.mark.long),
    ],
)
def test_a_full_disk_ends_a_backup_with_a_sentence(
    with_backup: Path, program: Any, at_hand: Any, size: int
) -> None:
    before = everything(with_backup)
    (earlier,) = backups_in(with_backup / BACKUPS)
    content = earlier.read_bytes()
    done = program("backup", preexec_fn=limit(size))
    assert done.returncode == 4, done
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert "make room there or choose another place" in done.stderr
    assert [path.name for path in (with_backup / BACKUPS).iterdir()] == [earlier.name]
    assert earlier.read_bytes() == content
    assert everything(with_backup) == before


@pytest.mark.long
def test_a_small_disk_that_is_full_ends_backup_and_restore_with_a_sentence(
    with_backup: Path, program: Any, tmp_path: Path
) -> None:
    place = tmp_path / "disk"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=900k", "tmpfs", str(place)]
    if subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("mounting a small disk takes rights that this user has not")
    try:
        done = program("backup", place / "b.zip")
        assert (done.returncode, list(place.iterdir())) == (4, [])
        assert "full" in done.stderr or "no space" in done.stderr
        path = newest_backup(with_backup)
        (place / "filling").write_bytes(bytes(600_000))
        words = [*PROGRAM, "restore", str(path), str(place / "crew")]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert done.returncode in (3, 4), done
        assert len(done.stderr.splitlines()) == 1, done.stderr
        assert [left.name for left in place.iterdir()] == ["filling"]
    finally:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.long
def test_a_full_disk_ends_an_analysis_with_a_sentence(with_backup: Path, program: Any) -> None:
    assert program("analyze").returncode == 0
    before = everything(with_backup)
    log = with_backup.parent / "other.csv"
    write_log(log, 3_000, seed=2, splicer="Plover")
    assert program("import", log).returncode == 0
    between = everything(with_backup)
    assert between["findings"] == before["findings"]
    done = program("analyze", preexec_fn=limit(250_000))
    assert done.returncode == 4, done
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert everything(with_backup) == between
    assert program("analyze").returncode == 0


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_a_backup_that_is_killed_is_none(
    with_backup: Path, start: Any, at_hand: Any, how: signal.Signals
) -> None:
    place = with_backup / BACKUPS
    (earlier,) = backups_in(place)
    rng = random.Random(how)  # noqa: S311 - no secret
    for _ in range(25 if long_run() else 2):
        process = start("backup")
        deadline = time.monotonic() + 60
        while process.poll() is None and len(list(place.iterdir())) == len(backups_in(place)):
            assert time.monotonic() < deadline
            time.sleep(0.002)
        time.sleep(rng.random() * 0.15)
        process.send_signal(how)
        out, err = process.communicate(timeout=60)
        assert "Traceback" not in out + err
        for path in backups_in(place):
            if path != earlier:
                assert at_hand("backup", path, "--check").returncode == 0
                path.unlink()
    done = at_hand("backup")
    assert done.returncode == 0
    assert earlier in backups_in(place)
    assert {path.suffix for path in place.iterdir()} == {".zip"}  # nothing unfinished is left


@pytest.mark.long
def test_a_backup_during_an_import_holds_all_of_it_or_nothing(
    with_backup: Path, start: Any, at_hand: Any, tmp_path: Path
) -> None:
    log = tmp_path / "more.csv"
    write_log(log, 30_000, seed=5, splicer="Plover")
    process = start("import", log)
    states = set()
    for number in range(6):
        path = tmp_path / f"{number}.zip"
        assert at_hand("backup", path).returncode == 0
        folder = tmp_path / f"restored{number}"
        restore_backup(path, folder)
        with closing(sqlite3.connect(folder / "arcdrift.db")) as connection:
            rows = connection.execute("SELECT count(*) FROM splices").fetchone()[0]
            imports = connection.execute("SELECT count(*) FROM imports").fetchone()[0]
        states.add((imports, rows))
    _, err = process.communicate(timeout=600)
    assert process.returncode == 0, err
    last = everything(with_backup)
    assert states <= {(1, 2_940), (len(last["imports"]), len(last["splices"]))}, states
