"""A review split over processes gives the same results as one in a single process."""

import pickle
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from dataclasses import fields
from functools import partial
from pathlib import Path
from threading import Event
from typing import Any

import pandas as pd
import pytest

from arcdrift.analysis.review import parallel
from arcdrift.analysis.review.parallel import split_by_splices, submit_or_run, summarize_parts
from arcdrift.analysis.review.result_tables import crew_days
from arcdrift.analysis.review.review_inputs import SplicesAtAddress, read_inputs, read_splices
from arcdrift.analysis.review.summary import Summary, combine_parts
from arcdrift.simulate import invented_crew, simulate_frames
from tests.both_stores import both_stores, daily_on_postgresql
from tests.empty_store import empty_store
from tests.stored_rows import store_rows

pytestmark = both_stores


class PicklingExecutor(Executor):
    """Pickles calls and results, as happens between processes."""

    def __init__(self) -> None:
        self.submitted = 0

    def submit(self, work: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.submitted += 1
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        work, args, kwargs = pickle.loads(pickle.dumps((work, args, kwargs)))  # noqa: S301
        future.set_result(pickle.loads(pickle.dumps(work(*args, **kwargs))))  # noqa: S301
        return future


class BrokenWorkers(Executor):
    """Breaks when a call is submitted, or when its result is asked for."""

    def __init__(self, *, at_once: bool) -> None:
        self.at_once = at_once

    def submit(self, work: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        if self.at_once:
            raise BrokenExecutor
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        future.set_exception(BrokenExecutor())
        return future


def test_without_an_executor_the_call_runs_in_this_process() -> None:
    assert submit_or_run(None, max, 3, 5)() == 5


def test_a_call_whose_executor_broke_runs_in_this_process() -> None:
    assert submit_or_run(BrokenWorkers(at_once=True), max, 3, 5)() == 5
    assert submit_or_run(BrokenWorkers(at_once=False), max, 3, 5)() == 5


def test_a_call_the_executor_has_not_started_runs_in_this_process() -> None:
    held = Event()
    with ThreadPoolExecutor(1) as executor:
        first = submit_or_run(executor, held.wait, 30.0)
        second = submit_or_run(executor, max, 3, 5)
        assert second() == 5  # the only thread still waits
        held.set()
        assert first() is True


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows in a fixed order and without column types, which depend on the values in a part."""
    figures = frame.select_dtypes("float").round(9)
    known = frame.assign(**figures).astype(object).where(frame.notna(), None)
    return sorted(known.to_dict("records"), key=repr)


def assert_equal(first: Summary, second: Summary) -> None:
    assert rows_of(crew_days(first.outcomes, first.histogram)) == rows_of(
        crew_days(second.outcomes, second.histogram)
    )
    for field in fields(first):
        if field.name in ("outcomes", "histogram"):  # counted by day within each part
            continue
        one, two = getattr(first, field.name), getattr(second, field.name)
        if isinstance(one, pd.DataFrame):
            assert rows_of(one) == rows_of(two), field.name
        elif field.name == "singles":
            assert rows_of(one.outliers) == rows_of(two.outliers)
            assert rows_of(one.limits) == rows_of(two.limits)
        else:
            assert one == two, field.name


@daily_on_postgresql
def test_the_summary_does_not_depend_on_how_the_crew_is_split(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = simulate_frames(invented_crew(splicers=3, days=9, splices_per_day=20.0, seed=4))
    engine = empty_store(tmp_path)
    for kind, rows in made.items():
        store_rows(engine, kind, rows)
    inputs = read_inputs(engine, made.crew, made["splices"]["spliced_at"].max())
    here = partial(read_splices, engine)
    elsewhere = SplicesAtAddress(engine.url.render_as_string(hide_password=False))
    counts = inputs.splice_counts
    assert counts == made["splices"].groupby("splicer").size().to_dict()
    whole = combine_parts(list(summarize_parts(inputs, here)))
    assert whole.splices == len(made["splices"])
    assert len(whole.splicers) == 3
    assert whole.states
    monkeypatch.setattr(parallel, "PART_SPLICES", (1, 1))
    single = list(summarize_parts(inputs, here))
    assert [part.splicers for part in single] == [(name,) for name in sorted(counts)]
    assert_equal(combine_parts(single[::-1]), whole)
    monkeypatch.setattr(parallel, "PART_SPLICES", (200, 400))
    executor = PicklingExecutor()
    assert_equal(combine_parts(list(summarize_parts(inputs, elsewhere, executor))), whole)
    assert executor.submitted > 1


def test_parts_hold_about_as_many_splices(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parallel, "PART_SPLICES", (100, 300))
    counts = {"Avocet": 60, "Bunting": 40, "Curlew": 1, "Dunlin": 500, "Egret": 0}
    assert split_by_splices(counts) == [["Avocet", "Bunting"], ["Curlew"], ["Dunlin"], ["Egret"]]
    even = dict.fromkeys("ABCDEFG", 50)
    assert [len(part) for part in split_by_splices(even)] == [2, 1, 2, 2]
    assert split_by_splices({"Avocet": 0}) == [["Avocet"]]
    many = split_by_splices({f"A{number:03d}": 100 for number in range(120)})
    assert [len(part) for part in many] == [3] * 40
