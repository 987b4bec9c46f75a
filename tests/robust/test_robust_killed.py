"""An import that is killed at any moment leaves the store as before or as after."""

import os
import random
import shutil
import time

import pytest

from arcdrift.store import schema
from arcdrift.store.database.connect import open_store, reading
from tests.robust.tools import MANY_CHUNKS, PROGRAM, everything, long_run, write_log

KILLS = 25 if long_run() else 1
ROWS = 15_000 if long_run() else 1_200


@pytest.mark.parametrize(
    "how",
    [
        pytest.param(PROGRAM, id="one chunk", marks=pytest.mark.long),
        pytest.param(MANY_CHUNKS, id="many chunks"),
    ],
)
def test_a_killed_import_leaves_no_trace_or_all_of_it(crew, start, at_hand, tmp_path, how):
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    write_log(first, ROWS // 4, seed=1)
    write_log(second, ROWS, seed=2)
    assert at_hand("import", first).returncode == 0
    before = everything(crew)
    kept = tmp_path / "kept"
    shutil.copytree(crew, kept)

    took = 0.3  # a moment within the import; where there are many kills, they fall all over it
    if long_run():
        whole = start("import", second, program=how)
        took = _until_begun(crew, whole, then=lambda process: process.wait(600))
    else:
        assert at_hand("import", second).returncode == 0
    after = everything(crew)
    assert len(after["splices"]) > len(before["splices"]) + ROWS // 2

    rng = random.Random(f"{KILLS}")  # noqa: S311 - no secret
    seen = set()
    for _ in range(KILLS):
        shutil.rmtree(crew)
        shutil.copytree(kept, crew)
        moment = rng.uniform(0, took)

        def killed(process, moment=moment):
            time.sleep(moment)
            process.kill()
            process.wait(60)

        _until_begun(crew, start("import", second, program=how), then=killed)
        held = everything(crew)
        assert held in (before, after)
        seen.add(held == before)
        begun = _begun(crew)
        said = at_hand("imports").stderr
        assert ("second.csv was interrupted while it was imported at" in said) == bool(begun)
        assert held == before or not begun
        again = at_hand("import", second)
        assert ("nothing of it was stored, so import it again" in again.stderr) == bool(begun)
        assert len(everything(crew)["splices"]) == len(after["splices"])
    assert seen
    for lock in crew.glob(".arcdrift-import-*"):
        os.utime(lock, (0, 0))
    assert "interrupted" not in at_hand("import", first).stderr
    assert not list(crew.glob(".arcdrift-import-*"))


def _until_begun(crew, process, *, then) -> float:
    """Wait until an import has begun, do something, and return how long that took."""
    while not list(crew.glob(".arcdrift-import-*")) and process.poll() is None:
        time.sleep(0.01)
    begun = time.monotonic()
    then(process)
    process.stdout.close()
    process.stderr.close()
    return time.monotonic() - begun


def _begun(crew) -> list[object]:
    engine = open_store(crew)
    with reading(engine) as connection:
        rows = connection.execute(schema.imports_in_progress.select()).all()
    engine.dispose()
    return list(rows)
