"""An analysis that is killed at any moment leaves results that the next one completes."""

import random
import sys
import time

import pandas as pd
import pytest

from arcdrift.analysis.review.review import review
from arcdrift.settings import load_crew
from arcdrift.simulate import invented_crew, simulate_frames
from arcdrift.simulate.output.log_files import crew_toml
from arcdrift.store import schema
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_rows import read_result
from arcdrift.store.results.saved_summary import read_saved_summary
from tests.stored_rows import store_rows

KEEPING = [
    sys.executable,
    "-c",
    "from arcdrift.analysis.review import settled_days\n"
    "settled_days.FEWEST_SPLICES = 1\n"
    "from arcdrift.cli.main import run; run()",
]
"""The program, keeping the summary of past days also of a small store."""
KILLS = 12
RESULTS = [name for name in schema.RESULTS if name != "analysis_run"]


def results(crew) -> dict[str, pd.DataFrame]:
    engine = open_store(crew)
    try:
        return {name: read_result(engine, name) for name in RESULTS}
    finally:
        engine.dispose()


def differences(first: dict[str, pd.DataFrame], second: dict[str, pd.DataFrame]) -> list[str]:
    """Tables that differ by more than 1e-9."""
    found = []
    for name in RESULTS:
        try:
            pd.testing.assert_frame_equal(
                first[name], second[name], check_exact=False, rtol=1e-9, atol=1e-9
            )
        except AssertionError:
            found.append(name)
    return found


@pytest.mark.long
def test_a_killed_analysis_is_completed_by_the_next(crew, start):
    scenario = invented_crew(splicers=3, days=100, splices_per_day=15.0, seed=6)
    made, days = simulate_frames(scenario), [50, 80, 85, 100]
    (crew / "crew.toml").write_text(crew_toml(scenario), encoding="utf-8")
    begin = min(made[kind][schema.TIME_COLUMN[kind]].min() for kind in schema.RECORDS)
    rng = random.Random(4)  # noqa: S311 - no secret
    seen = set()
    for first, last in zip([0, *days], days, strict=False):
        engine = open_store(crew)
        for kind in schema.RECORDS:
            since = (made[kind][schema.TIME_COLUMN[kind]] - begin).dt.days
            rows = made[kind][(since >= first) & (since < last)]
            if len(rows):
                store_rows(engine, kind, rows)
        engine.dispose()
        before = results(crew)
        for _ in range(KILLS // len(days)):
            process = start("analyze", program=KEEPING)
            time.sleep(rng.uniform(0.5, 4.0))
            process.kill()
            process.communicate(timeout=60)
            seen.add(not differences(results(crew), before))
        done = start("analyze", program=KEEPING)
        assert done.communicate(timeout=120)[1] is not None
        assert done.returncode == 0
        engine = open_store(crew)
        assert read_saved_summary(engine) is not None
        after = results(crew)
        review(engine, load_crew(crew), from_scratch=True)
        engine.dispose()
        assert differences(after, results(crew)) == []
    assert True in seen
