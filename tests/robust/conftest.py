"""A crew folder, and the program run on it in processes of its own."""

import subprocess
from pathlib import Path

import pytest

from arcdrift.cli.main import run
from tests.empty_store import copy_empty_store
from tests.robust.tools import CREW, PROGRAM, Run, Start


@pytest.fixture
def crew(tmp_path: Path) -> Path:
    """A crew folder with an empty store."""
    folder = tmp_path / "crew"
    folder.mkdir()
    (folder / "crew.toml").write_text(CREW, encoding="utf-8")
    copy_empty_store(folder)
    return folder


@pytest.fixture
def start(crew: Path) -> Start:
    """Starts the program on the crew's folder."""

    def starts(*words: object, program=PROGRAM, folder=crew, **more) -> "subprocess.Popen[str]":
        return subprocess.Popen(
            [*program, *map(str, words), "--crew", str(folder)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **more,
        )

    return starts


@pytest.fixture
def program(start: Start) -> Run:
    """Runs the program on the crew's folder to its end; it must never show a traceback."""

    def runs(*words: object, **more) -> "subprocess.CompletedProcess[str]":
        with start(*words, **more) as process:
            out, err = process.communicate(timeout=600)
        assert "Traceback" not in out + err
        return subprocess.CompletedProcess(process.args, process.returncode, out, err)

    return runs


@pytest.fixture
def at_hand(crew: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs the program in this process, where none has to be killed or limited: much cheaper."""

    def runs(*words: object) -> "subprocess.CompletedProcess[str]":
        capsys.readouterr()
        with pytest.raises(SystemExit) as done:
            run([*map(str, words), "--crew", str(crew)])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return subprocess.CompletedProcess(words, int(done.value.code or 0), out, err)

    return runs
