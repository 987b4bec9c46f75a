"""Ctrl-C at any moment of an import: one sentence on what is stored and what is not."""

import os
import pkgutil
import random
import shutil
import signal
import sqlite3
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing

import pytest

from arcdrift.cli.commands import import_files
from arcdrift.cli.interrupts import handle_interrupts, ignore_interrupts
from arcdrift.intake.storing import log_import
from arcdrift.intake.text.raw_rows import read_rows
from arcdrift.store.database.connect import open_store, writing
from tests.robust.tools import MANY_CHUNKS, PROGRAM, long_run, write_log

pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows has no such signals")
PRESSES = 25
ROWS = 6_000 if long_run() else 30
FILES = ("first.csv", "second.csv", "third.csv")


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("logs")
    for number, name in enumerate(FILES):
        write_log(folder / name, ROWS, seed=number, splicer=("Heron", "Plover", "Wren")[number])
    return [folder / name for name in FILES]


MOMENTS = {
    "opening a file": ("arcdrift.intake.storing.import_file.open_file", False),
    "reading": ("arcdrift.intake.storing.log_import.convert", False),
    "staging, in the thread of the Arrow driver": (
        "arcdrift.store.database.sqlite.staged_inserts.dbapi.connect",
        False,
    ),
    "storing": ("arcdrift.intake.storing.log_import.close_corrected", False),
    "just after storing": ("arcdrift.store.database.sqlite.lock_files._remove", True),
}


class SwallowedError(Exception):
    """An error that a library made of Ctrl-C."""


# Ctrl-C may come just as a file was opened; Python then closes it, with a warning
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize("moment", MOMENTS)
def test_ctrl_c_in_the_second_file(crew, logs, at_hand, monkeypatch, moment):
    path, is_stored = MOMENTS[moment]
    monkeypatch.setattr("arcdrift.store.database.sqlite.staged_inserts._BULK_ROWS", 1)
    owner, name = pkgutil.resolve_name(path.rpartition(".")[0]), path.rpartition(".")[2]
    interrupted, real = [], getattr(owner, name)

    def press(*words, **more):
        if len(_stored(crew)) > is_stored and not interrupted:
            interrupted.append(True)
            signal.raise_signal(signal.SIGINT)
        return real(*words, **more)

    monkeypatch.setattr(owner, name, press)
    done = at_hand("import", *logs)
    assert interrupted
    assert (done.returncode, done.stdout) == (130, "")
    begun, rest = "first.csv is stored; second.csv and third.csv are", "third.csv is"
    if is_stored:
        begun = f"first.csv and second.csv are stored; {rest}"
    assert done.stderr == f"Interrupted: {begun} not stored, so import again.\n"
    assert _stored(crew) == list(FILES[: 1 + is_stored])
    monkeypatch.undo()
    assert at_hand("import", *logs).returncode == 0
    assert len(_stored(crew)) == len(FILES) + 1 + is_stored


@pytest.mark.long
@pytest.mark.parametrize(
    "how", [pytest.param(PROGRAM, id="one chunk"), pytest.param(MANY_CHUNKS, id="many chunks")]
)
def test_ctrl_c_at_any_moment_says_what_is_stored(crew, start, logs, tmp_path, how):
    kept = tmp_path / "kept"
    shutil.copytree(crew, kept)
    program = [*how[:-1], how[-1].replace("run()", "print('begun', flush=True); run()")]
    with start("import", *logs, program=program) as process:
        assert process.stdout.readline() == "begun\n"
        began = time.monotonic()
        process.communicate(timeout=600)
    took = time.monotonic() - began
    assert len(_stored(crew)) == len(FILES)

    rng = random.Random(f"{PRESSES}")  # noqa: S311 - no secret
    for press in range(PRESSES):
        shutil.rmtree(crew)
        shutil.copytree(kept, crew)
        # the first press falls into the first quarter, the last one close to the end
        moment = took * (press + rng.random()) / PRESSES
        with start("import", *logs, program=program) as process:
            assert process.stdout.readline() == "begun\n"
            time.sleep(0.01 + moment)
            process.send_signal(signal.SIGINT)
            time.sleep(0.01)
            if process.poll() is None:
                process.send_signal(signal.SIGINT)  # an impatient second press
            out, err = process.communicate(timeout=600)
        stored = _stored(crew)
        assert "Traceback" not in out + err
        if process.returncode == 0:
            assert len(stored) == len(FILES)
            continue
        assert process.returncode == 130, (press, moment, took, err)
        (sentence,) = err.splitlines()
        _check(sentence, stored)
        assert not list(tmp_path.glob("arcdrift-*"))


def test_an_error_that_a_library_makes_of_ctrl_c_is_ctrl_c(crew, logs, at_hand, monkeypatch):
    def press(*_words, **_more):
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise SwallowedError from None

    with monkeypatch.context() as patch:
        patch.setattr(log_import, "convert", press)
        done = at_hand("import", *logs)
    assert done.returncode == 130
    assert done.stderr == (
        "Interrupted: nothing is stored; first.csv, second.csv and third.csv are not stored, so "
        "import again.\n"
    )
    monkeypatch.setattr("arcdrift.store.imports.import_list.read_imports", press)
    done = at_hand("imports")
    assert (done.returncode, done.stderr) == (130, "Interrupted.\n")


def test_ctrl_c_after_all_is_said_changes_nothing(crew, logs, at_hand, monkeypatch):
    real = import_files.print_reports

    def press_after(*words, **more):
        real(*words, **more)
        signal.raise_signal(signal.SIGINT)

    with monkeypatch.context() as patch:
        patch.setattr(import_files, "print_reports", press_after)
        done = at_hand("import", *logs)
    assert done.returncode == 130
    assert done.stderr == (
        "Interrupted: first.csv, second.csv and third.csv are stored, and no file is left.\n"
    )

    def press_when_ignored():
        ignore_interrupts()
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(import_files, "ignore_interrupts", press_when_ignored)
    done = at_hand("import", *logs)
    assert (done.returncode, done.stderr) == (0, "")
    assert "already stored" in done.stdout


def test_no_ctrl_c_is_lost_while_rows_are_divided():
    """Arrow's own handling of the signal loses some that come at the end of a short call."""
    content = b"splicer,loss_db\n" + b"Heron,0.02\n" * 3_000
    main = threading.main_thread().ident
    for attempt in range(100):
        press = threading.Timer(
            0.001 + attempt % 7 * 0.0005, signal.pthread_kill, (main, signal.SIGINT)
        )

        def divide_until_pressed(press: threading.Timer = press) -> None:
            press.start()
            while press.is_alive():
                read_rows(content, "log.csv")
            press.join()

        with pytest.raises(KeyboardInterrupt):
            divide_until_pressed()
        press.join()


def test_ctrl_c_between_two_files(crew, logs, at_hand):
    """The second file is a pipe that nobody fills: the program waits in it."""
    pipe = crew / "pipe.csv"
    os.mkfifo(pipe)
    program = threading.get_ident()

    def press():
        while not _stored(crew):
            time.sleep(0.02)
        time.sleep(0.2)
        signal.pthread_kill(program, signal.SIGINT)

    with ThreadPoolExecutor(1) as person:
        pressed = person.submit(press)
        done = at_hand("import", logs[0], pipe, logs[1])
    pressed.result()
    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr == (
        "Interrupted: first.csv is stored; pipe.csv and second.csv are not stored, so import "
        "again.\n"
    )
    assert _stored(crew) == ["first.csv"]


def test_ctrl_c_does_not_wait_for_another_writer(crew, logs, at_hand, monkeypatch):
    """What cannot be tidied up while another program writes is left, and told the next time."""
    monkeypatch.setattr("arcdrift.store.imports.import_lock._MAX_REMOVAL_WAIT_S", 0.1)
    real = log_import.convert
    with ExitStack() as other:

        def press(*words, **more):
            other.enter_context(writing(open_store(crew)))
            signal.raise_signal(signal.SIGINT)
            return real(*words, **more)

        monkeypatch.setattr(log_import, "convert", press)
        done = at_hand("import", logs[0])
    assert done.returncode == 130
    assert done.stderr == (
        "Interrupted: nothing is stored; first.csv is not stored, so import again.\n"
    )
    monkeypatch.undo()
    again = at_hand("import", logs[0])
    assert again.returncode == 0
    assert "first.csv" in again.stderr
    assert _stored(crew) == ["first.csv"]


def test_ctrl_c_waits_until_a_context_is_left():
    steps = []

    class Context:
        def __enter__(self):
            return self

        def __exit__(self, *_error):
            signal.raise_signal(signal.SIGINT)
            steps.append("closed")

    def work():
        with Context():
            steps.append("worked")
        while True:
            time.sleep(60)

    with handle_interrupts(ends_process=False), pytest.raises(KeyboardInterrupt):
        work()
    assert steps == ["worked", "closed"]


def _stored(crew) -> list[str]:
    with closing(sqlite3.connect(crew / "arcdrift.db")) as store:
        return [name for (name,) in store.execute("SELECT file_name FROM imports ORDER BY id")]


def _check(sentence: str, stored: list[str]) -> None:
    if sentence in ("Interrupted.", "Interrupted before anything was done."):
        assert not stored
        return
    told, _, missing = sentence.partition("; ")
    assert told.startswith("Interrupted: ")
    for name in FILES:
        assert (name in told) == (name in stored), (sentence, stored)
        assert (name in missing) == (name not in stored), (sentence, stored)
