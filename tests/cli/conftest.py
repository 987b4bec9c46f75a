"""The program run as a person runs it, and a small crew whose results are known by hand."""

import io
import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import redirect_stdout
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer

from arcdrift.cli.main import run
from tests.empty_store import copy_empty_store

CREW = """\
name = "Invented crew"
invented = true
clock = "newest-record"
time_zone = "Europe/Oslo"

[sites."Harbor"]
elevation_m = 12

[splicers."Heron"]
home_site = "Harbor"
"""
# Oslo is two hours ahead of UTC in May
CHECKS = """\
splicer,checked_at,outcome,arc_setting,arc_count,site
Heron,2026-05-04 07:30,pass,100,10,Harbor
Heron,2026-05-05 10:00,pass,101,40,Harbor
Kestrel,2026-05-04 07:45,fail,,5,Harbor
"""
SPLICES = """\
splicer,spliced_at,loss_db,program,site,technician
Kestrel,2026-05-03 09:00,0.02,plain,Harbor,
Heron,2026-05-04 08:00,0.02,plain,Harbor,Alder
Kestrel,2026-05-04 08:00,0.03,plain,Harbor,Alder
Heron,2026-05-05 09:00,0.02,plain,Harbor,Alder
Heron,2026-05-05 11:00,0.04,plain,Harbor,Alder
Heron,2026-05-06 08:00,0.02,plain,Harbor,Alder
Kestrel,2026-05-06 09:00,0.03,plain,Harbor,Alder
"""


@dataclass(frozen=True)
class Outcome:
    """What a run of the program left behind."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        """Standard output, which must be JSON and nothing else."""
        return json.loads(self.out)

    @property
    def sentence(self) -> str:
        """Standard error, which must be one line."""
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        return lines[0]


Arcdrift = Callable[..., Outcome]


@pytest.fixture(scope="session", autouse=True)
def _one_command_tree() -> Iterator[None]:
    """Builds the tree of commands once; a process of its own does that at every start."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typer.main, "get_command", cache(typer.main.get_command))
        yield


@pytest.fixture
def arcdrift(capsys: pytest.CaptureFixture[str]) -> Arcdrift:
    """Runs the program in this process."""

    def runs(*arguments: object) -> Outcome:
        capsys.readouterr()
        with pytest.raises(SystemExit) as done:
            run([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return Outcome(int(done.value.code or 0), out, err)

    return runs


def furnish(folder: Path) -> None:
    """Write the settings and the logs of the small crew."""
    (folder / "crew.toml").write_text(CREW, encoding="utf-8")
    (folder / "arc-checks.csv").write_text(CHECKS, encoding="utf-8")
    (folder / "splices.csv").write_text(SPLICES, encoding="utf-8")


@pytest.fixture
def crew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A crew folder without records, which is also the current folder."""
    furnish(tmp_path)
    copy_empty_store(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("ARCDRIFT_CREW", raising=False)
    return tmp_path


@pytest.fixture(scope="session")
def analyzed_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small crew with its logs imported and analyzed; to be copied, never changed."""
    folder = tmp_path_factory.mktemp("analyzed")
    furnish(folder)
    copy_empty_store(folder)
    logs = [str(folder / name) for name in ("arc-checks.csv", "splices.csv")]
    for words in (["import", *logs], ["analyze"]):
        with pytest.raises(SystemExit) as done, redirect_stdout(io.StringIO()):
            run([*words, "--crew", str(folder)])
        assert not done.value.code
    return folder


@pytest.fixture
def analyzed(analyzed_once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the analyzed crew, which is also the current folder."""
    shutil.copytree(analyzed_once, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("ARCDRIFT_CREW", raising=False)
    return tmp_path
