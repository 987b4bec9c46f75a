"""What a killed program left in the folder for temporary files."""

import os
import subprocess
import sys
import tempfile
import time

import pytest

from arcdrift import scratch


@pytest.fixture
def temporary(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def _left_by(folder, number, hours):
    abandoned = folder / f"arcdrift-{number}-ab12"
    abandoned.mkdir()
    (abandoned / "staging.db").write_bytes(b"rows")
    then = time.time() - 3600 * hours
    for path in (abandoned / "staging.db", abandoned):
        os.utime(path, (then, then))
    return abandoned


def test_a_folder_is_gone_afterward(temporary):
    with scratch.scratch_folder() as folder:
        (folder / "rows").write_text("1")
        assert folder.parent == temporary
    assert not list(temporary.iterdir())


def test_what_a_killed_program_left_is_swept_up(temporary):
    with subprocess.Popen([sys.executable, "-c", "pass"]) as done:
        pass
    dead, fresh = _left_by(temporary, done.pid, 2), _left_by(temporary, 2**22 + 7, 0.1)
    alive = _left_by(temporary, os.getpid(), 48)
    foreign = temporary / "arcdrift-notes"
    foreign.mkdir()
    with scratch.scratch_folder():
        pass
    assert not dead.exists()
    assert fresh.exists()
    assert alive.exists()
    assert foreign.exists()
