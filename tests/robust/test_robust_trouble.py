"""A full disk, a folder that cannot be written, two imports at once: a sentence, nothing lost."""

import os
import shutil
import subprocess
from contextlib import ExitStack

import pytest

from arcdrift.cli.importing import import_run
from arcdrift.cli.output import print_waiting
from arcdrift.store.database.connect import open_store, writing
from arcdrift.store.database.sqlite import file_engine
from arcdrift.store.database.sqlite.staged_inserts import _BULK_ROWS
from tests.robust.tools import MANY_CHUNKS, PROGRAM, everything, read_only, write_log

resource = pytest.importorskip("resource", reason="limits on file sizes are a thing of POSIX")
ROWS = 12_000
HOWS = pytest.mark.parametrize(
    "how",
    [
        pytest.param(PROGRAM, id="one chunk", marks=pytest.mark.long),
        pytest.param(MANY_CHUNKS, id="many chunks"),
    ],
)


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("logs")
    paths = [folder / f"log{n}.csv" for n in range(2)]
    for number, path in enumerate(paths):
        write_log(path, ROWS, seed=number, splicer=("Heron", "Plover")[number])
    return paths


@HOWS
def test_files_that_may_not_grow_stop_an_import_with_a_sentence(crew, program, at_hand, how):
    """A limit on file sizes stands for any disk that takes no more."""
    before = everything(crew)

    def limited():
        resource.setrlimit(resource.RLIMIT_FSIZE, (600_000, 600_000))

    log = crew / "log.csv"
    write_log(log, 6_000)
    done = program("import", log, program=how, preexec_fn=limited)
    assert done.returncode == 4
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert everything(crew) == before
    assert at_hand("import", log).returncode == 0


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 1.2 MB."""
    place = tmp_path / "disk"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=1200k", "tmpfs", str(place)]
    if subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("mounting a small disk takes rights that this user has not")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@pytest.mark.long  # the limit on file sizes stands for it
@HOWS
def test_a_full_disk_stops_an_import_with_a_sentence(crew, program, logs, how, small_disk):
    shutil.copytree(crew, small_disk / "crew")
    place = small_disk / "crew"
    before = everything(place)
    done = program("import", logs[0], folder=place, program=how)
    assert done.returncode == 4
    assert "disk" in done.stderr
    assert everything(place) == before


@pytest.mark.long
@HOWS
def test_a_full_temporary_folder_stops_an_import_with_a_sentence(
    crew, program, logs, how, small_disk, tmp_path
):
    log = logs[0]
    if how == PROGRAM:  # fewer rows of one chunk are not written to a temporary folder
        log = tmp_path / "large.csv"
        write_log(log, _BULK_ROWS * 11 // 10)
    before = everything(crew)
    (small_disk / "filled").write_bytes(bytes(shutil.disk_usage(small_disk).free - 100_000))
    done = program("import", log, program=how, env=os.environ | {"TMPDIR": str(small_disk)})
    assert done.returncode == 4
    assert done.stderr == (
        f"The temporary folder {small_disk} cannot take the rows on their way into the store "
        "(it is full); make room there, or set TMPDIR to another folder.\n"
    )
    assert everything(crew) == before


def test_a_folder_that_cannot_be_written_is_refused(crew, at_hand, tmp_path):
    log = tmp_path / "small.csv"
    write_log(log, 100)
    before = everything(crew)
    with read_only(crew):
        done = at_hand("import", log)
    assert done.returncode == 4
    assert len(done.stderr.splitlines()) == 1
    assert "can be read but not changed" in done.stderr
    assert everything(crew) == before


@pytest.mark.long
def test_two_imports_at_once_both_succeed(crew, start, at_hand, logs):
    programs = (PROGRAM, MANY_CHUNKS)
    both = [
        start("import", log, program=program) for log, program in zip(logs, programs, strict=True)
    ]
    reader = at_hand("imports", "--json")
    assert reader.returncode == 0
    for process in both:
        out, err = process.communicate(timeout=600)
        assert process.returncode == 0, err
        assert "Traceback" not in out + err
    held = everything(crew)
    assert len(held["imports"]) == 2
    assert len(held["splices"]) + len(held["quarantine"]) == 2 * ROWS


def test_an_import_that_waits_says_so(crew, at_hand, monkeypatch, tmp_path):
    log = tmp_path / "small.csv"
    write_log(log, 100)
    monkeypatch.setattr(file_engine, "NOTICE_AFTER_S", 0.0)
    with ExitStack() as other:
        other.enter_context(writing(open_store(crew)))

        def say_and_finish():
            print_waiting()
            other.close()  # the import would wait for an hour

        monkeypatch.setattr(import_run, "print_waiting", say_and_finish)
        done = at_hand("import", log)
    assert done.returncode == 0
    assert done.stderr.splitlines()[0] == "Waiting for another import or analysis to finish..."
    assert "small.csv" in done.stdout
