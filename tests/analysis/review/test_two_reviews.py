"""Two reviews of one store at the same time: the later one waits, and nothing old is kept."""

from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from datetime import date
from pathlib import Path
from threading import Event
from typing import Any

import pandas as pd
import pytest

from arcdrift.analysis.review import review as module
from arcdrift.analysis.review.review import review
from arcdrift.errors import StoreTrouble
from arcdrift.simulate import invented_crew, simulate_frames
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.results.analysis_lock import analysis_lock
from arcdrift.store.results.result_replacement import ResultsReplaced
from arcdrift.store.results.result_rows import read_result
from arcdrift.store.results.store_versions import is_outdated
from tests.both_stores import both_stores, daily_on_postgresql
from tests.empty_store import empty_store
from tests.stored_rows import store_rows

pytestmark = both_stores
START = date(2026, 6, 20)


@pytest.fixture(scope="module")
def made() -> Any:
    return simulate_frames(
        invented_crew(splicers=1, days=75, splices_per_day=4.0, seed=8, start=START)
    )


def crew_days(engine: Any) -> pd.DataFrame:
    return read_result(engine, "result_crew_days")


def test_a_review_that_was_overtaken_begins_anew(
    made: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else its results, of older records, would stand in place of the newer ones."""
    engine = empty_store(tmp_path)
    splices = made["splices"]
    early = splices["spliced_at"] < pd.Timestamp("2026-06-26", tz="UTC")
    store_rows(engine, "splices", splices[~early], given="[]", to_the_second=True)
    number = store_rows(engine, "splices", splices[early], given="[]", to_the_second=True)
    review(engine, made.crew)
    monkeypatch.setattr(module, "analysis_lock", lambda *_: nullcontext())
    real, calls = module.assess, []

    def overtaken(*arguments: Any) -> Any:
        calls.append(arguments)
        if len(calls) == 1:  # all is read
            undo_import(engine, number)
            review(engine, made.crew)
        return real(*arguments)

    monkeypatch.setattr(module, "assess", overtaken)
    review(engine, made.crew)
    assert len(calls) == 3
    assert not is_outdated(engine, made.crew)
    kept = crew_days(engine)
    assert kept["splices"].sum() == (~early).sum()
    monkeypatch.undo()
    review(engine, made.crew)  # goes on from what was kept of past days
    pd.testing.assert_frame_equal(crew_days(engine), kept)


def test_one_that_is_always_overtaken_says_so(
    made: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = empty_store(tmp_path)
    store_rows(engine, "splices", made["splices"][:50], given="[]", to_the_second=True)
    monkeypatch.setattr(module, "read_analysis_mark", lambda _: "another one")
    monkeypatch.setattr(module, "_TRIES", 1)
    with pytest.raises(ResultsReplaced, match="nothing of this one is"):
        review(engine, made.crew)
    assert crew_days(engine).empty


@daily_on_postgresql
def test_the_second_waits_and_is_told(made: Any, tmp_path: Path) -> None:
    engine = empty_store(tmp_path)
    store_rows(engine, "splices", made["splices"][:50], given="[]", to_the_second=True)
    told, waits = Event(), Event()
    with ThreadPoolExecutor(1) as executor:
        with analysis_lock(engine):
            with (
                pytest.raises(StoreTrouble, match="is still running"),
                analysis_lock(engine, max_wait_s=0.0),
            ):
                pass
            second = executor.submit(review, engine, made.crew, waiting=told.set)
            assert told.wait(60)
            assert not waits.wait(0.3)
            assert not second.done()
        assert second.result().splices == 50
    with analysis_lock(engine, max_wait_s=0.0):
        pass


def test_what_is_stored_while_a_review_reads_is_left_to_the_next(
    made: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a day would have splices and not yet the check that was imported a moment before."""
    (tmp_path / "alone").mkdir()
    engine, alone = empty_store(tmp_path), empty_store(tmp_path / "alone")
    splices, checks = made["splices"], made["arc-checks"]
    half = len(splices) // 2, len(checks) // 2
    for store in (engine, alone):
        store_rows(store, "splices", splices[: half[0]], given="[]", to_the_second=True)
        store_rows(store, "arc-checks", checks[: half[1]], given="[]", to_the_second=True)
    now = pd.Timestamp(splices["spliced_at"].max())
    real, calls = module.read_inputs, []

    def late(*arguments: Any) -> Any:
        if not calls:
            store_rows(engine, "splices", splices[half[0] :], given="[]", to_the_second=True)
            store_rows(engine, "arc-checks", checks[half[1] :], given="[]", to_the_second=True)
        calls.append(arguments)
        return real(*arguments)

    monkeypatch.setattr(module, "read_inputs", late)
    done = review(engine, made.crew, now=now)
    assert (done.splices, done.checks) == half
    assert is_outdated(engine, made.crew)
    review(alone, made.crew, now=now)
    for table in ("result_crew_days", "result_check_days"):
        pd.testing.assert_frame_equal(read_result(engine, table), read_result(alone, table))
    done = review(engine, made.crew, now=now)
    assert (done.splices, done.checks) == (len(splices), len(checks))
    assert not is_outdated(engine, made.crew)
