"""Work given to other processes comes back as if it had been done here."""

import pickle
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path
from threading import Event
from typing import Any

import pandas as pd
import pytest

from arcdrift.air import AirSources
from arcdrift.analysis.review import parallel
from arcdrift.analysis.review.parallel import Common, begun, in_parts, sum_up
from arcdrift.analysis.review.result_tables import crew_days
from arcdrift.analysis.review.summary import Summary, joined
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


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows in no order, without types of columns, which depend on what a part happens to hold."""
    figures = frame.select_dtypes("float").round(9)
    known = frame.assign(**figures).astype(object).where(frame.notna(), None)
    return sorted(known.to_dict("records"), key=repr)


def same(mine: Summary, other: Summary) -> None:
    assert rows_of(crew_days(mine.outcomes, mine.histogram)) == rows_of(
        crew_days(other.outcomes, other.histogram)
    )
    for field in fields(mine):
        if field.name in ("outcomes", "histogram"):  # counted by day, a part at a time
            continue
        one, two = getattr(mine, field.name), getattr(other, field.name)
        if isinstance(one, pd.DataFrame):
            assert rows_of(one) == rows_of(two), field.name
        elif field.name == "singles":
            assert rows_of(one.exceptions) == rows_of(two.exceptions)
            assert rows_of(one.limits) == rows_of(two.limits)
        else:
            assert one == two, field.name


def test_a_crew_is_summed_up_alike_however_it_is_parted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = simulate_frames(invented_crew(splicers=3, days=12, splices_per_day=30.0, seed=4))
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
    counts = read.splices_of(engine)
    assert counts == made["splices"].groupby("splicer").size().to_dict()
    (whole,) = sum_up(engine, counts, common)
    assert whole.splices == len(made["splices"])
    assert len(whole.splicers) == 3
    assert whole.situations
    monkeypatch.setattr(parallel, "PART_SPLICES", (1, 1))
    single = list(sum_up(engine, counts, common))
    assert [one.splicers for one in single] == [(name,) for name in sorted(counts)]
    same(joined(single[::-1]), whole)
    monkeypatch.setattr(parallel, "PART_SPLICES", (200, 400))
    elsewhere = Elsewhere()
    same(joined(list(sum_up(engine, counts, common, elsewhere))), whole)
    assert elsewhere.began > 1


def test_parts_hold_about_as_many_splices(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parallel, "PART_SPLICES", (100, 300))
    counts = {"Avocet": 60, "Bunting": 40, "Curlew": 1, "Dunlin": 500, "Egret": 0}
    assert in_parts(counts) == [["Avocet", "Bunting"], ["Curlew"], ["Dunlin"], ["Egret"]]
    even = dict.fromkeys("ABCDEFG", 50)
    assert [len(part) for part in in_parts(even)] == [2, 1, 2, 2]
    assert in_parts({"Avocet": 0}) == [["Avocet"]]
    many = in_parts({f"A{number:03d}": 100 for number in range(120)})
    assert [len(part) for part in many] == [3] * 40
