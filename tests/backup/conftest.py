"""A small crew with logs, analyzed, to be backed up."""

import shutil
from pathlib import Path

import pytest

from tests.cli.conftest import analyzed_once as analyzed_once
from tests.cli.conftest import arcdrift as arcdrift


@pytest.fixture
def crew(analyzed_once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The analyzed crew with a layout, words of its own, and a key of its dashboard."""
    folder = tmp_path / "crew"
    shutil.copytree(analyzed_once, folder)
    for name, text in (
        ("layouts/heron.toml", 'kind = "splices"\n'),
        ("words/own.toml", "# words\n"),
        ("arcdrift.key", "00" * 32),
    ):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "arcdrift.key").chmod(0o600)
    monkeypatch.delenv("ARCDRIFT_CREW", raising=False)
    return folder
