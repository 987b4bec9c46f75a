"""Work given to other processes comes back as if it had been done here."""

import pickle
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path
from threading import Event
from typing import Any

import pandas as pd

from arcdrift.air import AirSources
from arcdrift.analysis.shared_out import Common, begun, sum_up
from arcdrift.simulate import invented_crew, simulate_frames
from arcdrift.store import read, schema
from arcdrift.store.connect import open_store, writing
from arcdrift.store.write import add_import, add_rows

COUNTS = (
    "size_bytes", "seconds", "lines", "other_lines", "rows", "accepted", "already_stored",
    "conflicting", "quarantined", "started_at",
)  # fmt: skip


class Elsewhere(Executor):
    """What goes in and comes out is pickled, as between processes."""

    def __init__(self) -> None:
        self.began = 0

    def submit(self, work: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.began += 1
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        work, args, kwargs = pickle.loads(pickle.dumps((work, args, kwargs)))  # noqa: S301
        future.set_result(pickle.loads(pickle.dumps(work(*args, **kwargs))))  # noqa: S301
        return future


class Broken(Executor):
    """Breaks at once, or once it has begun."""

    def __init__(self, *, at_once: bool) -> None:
        self.at_once = at_once

    def submit(self, work: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        if self.at_once:
            raise BrokenExecutor
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        future.set_exception(BrokenExecutor())
        return future


def test_without_an_executor_the_work_is_done_here() -> None:
    assert begun(None, max, 3, 5)() == 5


def test_what_breaks_elsewhere_is_done_here() -> None:
    assert begun(Broken(at_once=True), max, 3, 5)() == 5
    assert begun(Broken(at_once=False), max, 3, 5)() == 5


def test_what_was_not_begun_elsewhere_is_done_here() -> None:
    held = Event()
    with ThreadPoolExecutor(1) as executor:
        first = begun(executor, held.wait, 30.0)
        second = begun(executor, max, 3, 5)
        assert second() == 5  # the only thread still waits
        held.set()
        assert first() is True


def test_splicers_are_summed_up_alike_by_other_processes(tmp_path: Path) -> None:
    made = simulate_frames(invented_crew(splicers=3, days=6, splices_per_day=30.0, seed=4))
    engine = open_store(tmp_path)
    for kind, rows in made.items():
        with writing(engine) as connection:
            about = {"file_name": kind, "sha256": "", "kind": kind} | dict.fromkeys(COUNTS, 0)
            stored = rows.drop(columns="id").assign(import_id=add_import(connection, about))
            add_rows(connection, schema.RECORDS[kind], stored)
    common = Common(
        made.crew,
        made["splices"]["spliced_at"].max(),
        read.records(engine, "arc-checks"),
        read.records(engine, "service"),
        AirSources.of(read.records(engine, "readings"), made.crew),
        None,
        (),
    )
    names, elsewhere = read.splicers(engine), Elsewhere()
    here = {one.splicer: (one, count) for one, count in sum_up(engine, names, common)}
    there = {one.splicer: (one, count) for one, count in sum_up(engine, names, common, elsewhere)}
    assert elsewhere.began == 2  # parts of two
    assert sum(count for _, count in here.values()) == len(made["splices"])
    for name in names:
        (mine, count), (other, again) = here[name], there[name]
        assert count == again
        for field in fields(mine):
            one, two = getattr(mine, field.name), getattr(other, field.name)
            if isinstance(one, pd.DataFrame):
                pd.testing.assert_frame_equal(one, two)
        assert mine.clock == other.clock
        assert mine.situation == other.situation
