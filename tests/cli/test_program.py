"""The program as a whole: help, version, where the crew is, and how every error ends."""

import inspect
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from arcdrift import __version__
from arcdrift.cli import command_tree
from arcdrift.store.imports import import_list

COMMANDS = (
    "demo",
    "init",
    "import",
    "imports",
    "log",
    "move",
    "quarantine",
    "analyze",
    "findings",
    "cases",
    "case",
    "digest",
    "report",
    "checks",
    "clock",
    "advise",
    "usual",
    "prep",
    "coach",
    "layout",
    "simulate",
    "backup",
    "restore",
    "user",
    "serve",
)
RUN = "from arcdrift.cli.main import run; run()"


def test_help_opens_with_the_job(arcdrift: Any) -> None:
    done = arcdrift("--help")
    assert done.code == 0
    message = " ".join(done.out.split())
    assert "Find what drifted in a fiber crew's splicing" in message
    assert message.index("Find what drifted") < message.index("Options")
    for command in COMMANDS:
        assert f" {command} " in done.out


@pytest.mark.parametrize(
    "command",
    [
        *COMMANDS,
        "imports undo",
        "usual exclude",
        "usual freeze",
        "cases revisit",
        "case take",
        "user add",
        "user reset",
    ],
)
def test_every_command_has_help(command: str, arcdrift: Any) -> None:
    done = arcdrift(*command.split(), "--help")
    assert done.code == 0
    assert f"arcdrift {command}" in done.out


def test_version(arcdrift: Any) -> None:
    assert arcdrift("--version").out == f"arcdrift {__version__}\n"


@pytest.mark.parametrize("words", [[], ["frobnicate"], ["import"], ["checks", "--nope"]])
def test_wrong_use_is_two(words: list[str], arcdrift: Any) -> None:
    assert arcdrift(*words).code == 2


def test_no_crew_folder(tmp_path: Path, arcdrift: Any) -> None:
    done = arcdrift("checks", "--crew", tmp_path)
    assert done.code == 3
    assert "arcdrift init" in done.sentence
    assert list(tmp_path.iterdir()) == []


def test_misspelled_setting(crew: Path, arcdrift: Any) -> None:
    (crew / "crew.toml").write_text('name = "x"\ntime_zon = "Europe/Oslo"\n', encoding="utf-8")
    done = arcdrift("checks")
    assert done.code == 3
    assert "Did you mean time_zone?" in done.sentence


def test_crew_from_the_environment(
    crew: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    arcdrift("import", "arc-checks.csv")
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    assert arcdrift("imports").code == 3
    monkeypatch.setenv("ARCDRIFT_CREW", str(crew))
    assert len(arcdrift("imports", "--json").data) == 1


def test_damaged_store_is_four(crew: Path, arcdrift: Any) -> None:
    (crew / "arcdrift.db").write_bytes(b"this is no database, only words" * 100)
    done = arcdrift("imports")
    assert done.code == 4
    assert "arcdrift.db" in done.sentence
    done = arcdrift("import", "arc-checks.csv", "splices.csv")
    assert done.code == 4
    assert "arcdrift.db" in done.sentence


def break_reading(monkeypatch: pytest.MonkeyPatch, problem: BaseException) -> None:
    def fails(*_: object, **__: object) -> None:
        raise problem

    monkeypatch.setattr(import_list, "read_imports", fails)


def test_the_unforeseen_leaves_a_reference_and_a_log(
    crew: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    break_reading(monkeypatch, RuntimeError("the invented mishap"))
    done = arcdrift("imports")
    assert done.code == 70
    assert done.out == ""
    assert "the invented mishap" not in done.sentence
    log = (crew / "arcdrift.log").read_text(encoding="utf-8")
    reference = done.sentence.split("reference ")[1].split(";")[0]
    assert reference in log
    assert "RuntimeError: the invented mishap" in log
    assert str(crew / "arcdrift.log") in done.sentence


def test_the_unforeseen_outside_a_crew_folder(
    arcdrift: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("the invented mishap")

    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr("arcdrift.cli.commands.init.crew_text", fails)
    done = arcdrift("init", tmp_path / "new")
    assert done.code == 70
    (log,) = tmp_path.glob("arcdrift-*.log")
    assert str(log) in done.sentence
    assert "the invented mishap" in log.read_text(encoding="utf-8")


def test_interrupted_is_130(crew: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    break_reading(monkeypatch, KeyboardInterrupt())
    assert arcdrift("imports").code == 130
    assert not (crew / "arcdrift.log").exists()


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such pipes")
@pytest.mark.parametrize(
    "words",
    [
        pytest.param(["--help"], marks=pytest.mark.long),
        pytest.param(["imports", "--json"], marks=pytest.mark.long),
        ["imports"],
    ],
)
def test_a_reader_that_leaves_is_no_error(words: list[str], crew: Path, arcdrift: Any) -> None:
    arcdrift("import", "arc-checks.csv")
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-c", RUN, *words],
        stdout=writing,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        cwd=crew,
        preexec_fn=lambda: signal.signal(signal.SIGPIPE, signal.SIG_IGN),
    )
    os.close(writing)
    assert done.stderr == ""
    assert done.returncode == 128 + signal.SIGPIPE


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such streams")
@pytest.mark.parametrize(("streams", "words", "code"), [
    pytest.param((1,), ["imports"], 0, marks=pytest.mark.long),
    ((0, 1, 2), ["imports", "--json"], 0),
    pytest.param((1,), ["frobnicate"], 2, marks=pytest.mark.long),
])  # fmt: skip
def test_closed_streams_are_no_error(
    streams: tuple[int, ...], words: list[str], code: int, crew: Path
) -> None:
    done = subprocess.run(
        [sys.executable, "-c", RUN, *words],
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        cwd=crew,
        preexec_fn=lambda: [os.close(number) for number in streams],
    )
    assert done.returncode == code
    assert "Traceback" not in done.stderr
    assert not done.stderr or code
    assert not (crew / "arcdrift.log").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no full device here")
@pytest.mark.parametrize("words", [
    ["imports", "--json"],
    pytest.param(["import", "splices.csv"], marks=pytest.mark.long),
    pytest.param(["--help"], marks=pytest.mark.long),
])  # fmt: skip
def test_a_full_disk_below_the_output_is_one_sentence(words: list[str], crew: Path) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-c", RUN, *words],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False, cwd=crew,
        )  # fmt: skip
    assert done.returncode == 3
    assert done.stderr.splitlines()[-1] == (
        "The output cannot be written: no space left on device. What was stored by then stands."
    )
    assert not (crew / "arcdrift.log").exists()


def test_commands_are_those_documented() -> None:
    assert set(command_tree.COMMANDS) == set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_what_help_lists_is_what_the_command_says_of_itself(name: str) -> None:
    listed, command = command_tree.COMMANDS[name], command_tree.load_command(name)
    assert command.name == name
    assert inspect.cleandoc(command.help or "").split("\n\n")[0] == listed.summary
    assert command.rich_help_panel == listed.heading
