"""A review whose parts other machines summarize: records are sent, and lost parts done again."""

import pickle
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Future
from functools import partial
from typing import Any

import pytest

from arcdrift.analysis.review import parallel, sent_splices
from arcdrift.analysis.review import settled_days as module
from arcdrift.analysis.review.parallel import FleetExecutor, submit_or_run
from arcdrift.analysis.review.review_inputs import read_splices
from arcdrift.analysis.review.settled_days import summarize_crew
from arcdrift.analysis.review.summary import Summary
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.saved_summary import record_marks
from tests.analysis.review.test_parallel import assert_equal
from tests.analysis.review.test_settled_days import Store, made  # noqa: F401 - a fixture


class Fleet(FleetExecutor):
    """Workers that have nothing but what is sent to them; some calls are lost with them."""

    calls_at_once = 2

    def __init__(self, *, lost: int = 0) -> None:
        self.calls, self.lost = 0, lost

    def submit(self, work: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.calls += 1
        future: Future[Any] = Future()
        if self.calls <= self.lost:
            future.set_exception(BrokenExecutor())
            return future
        # a reader of the store holds its connections and cannot be pickled
        work, args, kwargs = pickle.loads(pickle.dumps((work, args, kwargs)))  # noqa: S301
        try:
            future.set_result(pickle.loads(pickle.dumps(work(*args, **kwargs))))  # noqa: S301
        except Exception as error:
            future.set_exception(error)
        return future


@pytest.fixture
def store(tmp_path: Any, made: Any, monkeypatch: pytest.MonkeyPatch) -> Store:  # noqa: F811
    monkeypatch.setattr(module, "FEWEST_SPLICES", 1)
    return Store(tmp_path, made)


def on_fleet(store: Store, fleet: Fleet) -> Summary:
    marks, inputs = record_marks(store.engine), store.inputs()
    read = partial(read_splices, store.engine)
    summary, saved, _ = summarize_crew(store.engine, inputs, marks, read, fleet)
    replace_results(store.engine, {}, saved, marks.changes)
    return summary


def change_a_clock(store: Store) -> None:
    store.shift_clock(62, 5)


@pytest.mark.parametrize(
    "change",
    [lambda store: store.pass_days(7), pytest.param(change_a_clock, marks=pytest.mark.long)],
)
def test_days_after_the_kept_ones_are_summarized_from_what_is_sent(
    change: Callable[[Store], None], store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    places: list[int] = []
    read_to_send = sent_splices.read_to_send

    def noted(*args: Any) -> sent_splices.SentSplices:
        sent = read_to_send(*args)
        places.append(len(sent.places))
        return sent

    monkeypatch.setattr(parallel, "read_to_send", noted)
    store.pass_days(60)
    store.summary(from_scratch=False)
    change(store)
    fleet = Fleet()
    with monkeypatch.context() as patch:
        patch.setattr(parallel, "PART_SPLICES", (150, 150))
        found = on_fleet(store, fleet)
    assert fleet.calls > 1
    assert max(places) > 0  # earlier splices at places of the latest ones over the limit
    assert_equal(found, store.summary(from_scratch=True))


def names_given(_reader: Any, names: list[str], *_: Any) -> list[str]:
    return names


def test_parts_that_no_worker_finished_are_summarized_here(monkeypatch: pytest.MonkeyPatch) -> None:
    parts = [["Avocet"], ["Bunting", "Curlew"], ["Dunlin"], ["Egret"]]
    monkeypatch.setattr(parallel, "summarize_part", names_given)
    fleet = Fleet(lost=2)
    fleet.reads_store = True
    done = parallel._summarize_on_fleet(
        fleet,
        parts,
        lambda names: (None, names, None, None),  # type: ignore[arg-type, return-value]
    )
    assert sorted(done) == parts
    assert fleet.calls == 4


def test_a_call_that_a_fleet_has_is_not_done_here_too() -> None:
    class Slow(FleetExecutor):
        def submit(self, work: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
            self.future: Future[Any] = Future()  # as Dask's, it never says that it runs
            return self.future

    slow = Slow()
    result = submit_or_run(slow, max, 3, 5)
    slow.future.set_result("done there")
    assert result() == "done there"
