"""Advice that is cache at hand: never another store's, never older than promised."""

import threading
from collections.abc import Sequence
from typing import Any

import pytest

from arcdrift.record_subjects import Subjects
from arcdrift.store.records.record_changes import RecordsMark
from dashboard.reading import advice_cache
from dashboard.reading.advice_cache import (
    FRESH_SECONDS,
    STALE_SECONDS,
    AdviceCache,
    AdviceState,
)


class Clock:
    """Seconds that pass when a test says so."""

    now = 1000.0

    def __call__(self) -> float:
        return self.now


class Answer(str):
    """Advice on a splicer, numbered; it rests on the records of the splicer alone."""

    rests_on: Subjects

    def __new__(cls, splicer: str, number: int) -> "Answer":
        answer = super().__new__(cls, f"{splicer} {number}")
        answer.rests_on = Subjects(frozenset({splicer}))
        return answer


class Asked:
    """A store that hands out numbered answers and notes who asked in which thread."""

    def __init__(self, clock: Clock | None = None) -> None:
        self.basis, self.newest = "1", 1
        self.clock = clock or Clock()
        self.new: Subjects | None = None
        self.calls: list[tuple[str, bool]] = []
        self.done = threading.Semaphore(0)

    def in_one_state(self, make: Any) -> Any:
        return make()

    def advice_state(self) -> AdviceState:
        return AdviceState(self.basis, RecordsMark((self.newest,), 0, frozenset()))

    def subjects_between(self, earlier: RecordsMark, now: RecordsMark) -> Subjects | None:
        return self.new

    def advice_seconds(self) -> float:
        return self.clock()

    def compute_advice(self, splicers: Sequence[str]) -> dict[str, Any]:
        return {splicer: self.answer(splicer) for splicer in splicers}

    def answer(self, splicer: str) -> Any:
        self.calls.append((splicer, threading.current_thread().name == "advice"))
        self.done.release()
        return Answer(splicer, len(self.calls))

    def wait(self) -> None:
        assert self.done.acquire(timeout=10)


@pytest.fixture
def clock() -> Clock:
    return Clock()


def get(cache: AdviceCache, splicer: str) -> Any:
    return cache.get([splicer])[splicer]


def arrives(cache: AdviceCache, splicer: str, words: str) -> bool:
    """Whether the worker's answer arrives; it is stored a moment after it was asked."""
    for _ in range(200):
        if str(get(cache, splicer)) == words:
            return True
        threading.Event().wait(0.01)
    return False


def test_fresh_advice_is_asked_once(clock: Clock) -> None:
    asked = Asked(clock)
    cache = AdviceCache(asked)
    assert get(cache, "Heron") == get(cache, "Heron") == "Heron 1"
    clock.now += FRESH_SECONDS
    assert get(cache, "Heron") == "Heron 1"
    assert asked.calls == [("Heron", False)]


def test_another_version_of_the_store_is_never_answered_from_the_former(clock: Clock) -> None:
    asked = Asked(clock)
    cache = AdviceCache(asked)
    assert get(cache, "Heron") == "Heron 1"
    asked.basis = "2"
    assert get(cache, "Heron") == "Heron 2"
    assert get(cache, "Kestrel") == "Kestrel 3"


def test_new_records_cost_nobody_else_their_advice(clock: Clock) -> None:
    asked = Asked(clock)
    cache = AdviceCache(asked)
    cache.get(["Heron", "Tern"])
    asked.newest, asked.new = 2, Subjects(frozenset({"Tern"}))
    assert cache.missing(["Heron", "Tern"]) == ["Tern"]
    assert cache.get(["Heron", "Tern"]) == {"Heron": "Heron 1", "Tern": "Tern 3"}
    asked.newest, asked.new = 3, Subjects(sites=frozenset({"Harbor"}))
    assert cache.get(["Heron", "Tern"]) == {"Heron": "Heron 1", "Tern": "Tern 3"}
    asked.newest, asked.new = 4, None  # records were changed: whose is not known
    assert cache.get(["Heron", "Tern"]) == {"Heron": "Heron 4", "Tern": "Tern 5"}


def test_an_older_state_of_the_store_is_not_answered_from_a_newer_one(clock: Clock) -> None:
    asked = Asked(clock)
    cache = AdviceCache(asked)
    asked.newest, asked.new = 5, Subjects()
    assert get(cache, "Heron") == "Heron 1"
    asked.newest = 4  # a page that began before the import
    assert get(cache, "Heron") == "Heron 2"


def test_advice_is_kept_ready_after_imports_while_people_look(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(advice_cache, "LOOK_SECONDS", 0.01)
    asked = Asked(clock)
    cache = AdviceCache(asked)
    cache.keep_ready()
    cache.prefetch(["Heron", "Tern"])
    asked.wait()
    asked.wait()
    asked.newest, asked.new = 2, Subjects(frozenset({"Tern"}))
    asked.wait()
    assert asked.calls == [("Heron", True), ("Tern", True), ("Tern", True)]
    monkeypatch.setattr(advice_cache, "KEPT_READY_SECONDS", -1.0)
    threading.Event().wait(0.05)
    asked.newest = 3
    threading.Event().wait(0.1)
    assert len(asked.calls) == 3
    cache.stop()


def test_aging_advice_is_shown_once_more_while_new_is_worked_out(clock: Clock) -> None:
    asked = Asked(clock)
    cache = AdviceCache(asked)
    get(cache, "Heron")
    asked.wait()
    clock.now += FRESH_SECONDS + 1
    assert get(cache, "Heron") == "Heron 1"
    asked.wait()
    assert arrives(cache, "Heron", "Heron 2")
    assert asked.calls == [("Heron", False), ("Heron", True)]


def test_advice_too_old_to_show_is_waited_for(clock: Clock) -> None:
    asked = Asked(clock)
    cache = AdviceCache(asked)
    get(cache, "Heron")
    clock.now += STALE_SECONDS + 1
    assert get(cache, "Heron") != "Heron 1"


def test_advice_is_got_ready_behind_the_scenes_and_trouble_waits_for_whoever_asks() -> None:
    class Troubled(Asked):
        def answer(self, splicer: str) -> Any:
            answer = super().answer(splicer)
            if splicer == "Plover":
                raise OSError("the disk is gone")
            return answer

    asked = Troubled()
    cache = AdviceCache(asked)
    cache.prefetch(["Plover"])
    asked.wait()
    cache.prefetch(["Heron"])
    asked.wait()
    assert arrives(cache, "Heron", "Heron 2")
    cache.prefetch(["Heron"])  # nothing to do
    with pytest.raises(OSError, match="the disk is gone"):
        get(cache, "Plover")
    assert asked.calls == [("Plover", True), ("Heron", True), ("Plover", False)]


class Slow(Asked):
    """A store that takes its time."""

    def __init__(self) -> None:
        super().__init__()
        self.begun, self.go_on = threading.Event(), threading.Event()

    def compute_advice(self, splicers: Sequence[str]) -> dict[str, Any]:
        self.begun.set()
        assert self.go_on.wait(timeout=10)
        return super().compute_advice(splicers)


def test_the_process_ends_after_the_advice_at_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    at_exit: list[Any] = []
    monkeypatch.setattr(advice_cache.atexit, "register", lambda *call: at_exit.append(call))
    monkeypatch.setattr(advice_cache, "AT_ONCE", 1)
    slow = Slow()
    cache = AdviceCache(slow)
    cache.prefetch(["Heron", "Tern", "Dunlin"])
    assert slow.begun.wait(timeout=10)
    ((end, worker),) = at_exit
    threading.Timer(0.1, slow.go_on.set).start()
    end(worker)
    assert not worker.is_alive()
    assert slow.calls == [("Dunlin", True)]


def test_a_server_that_was_told_to_stop_begins_no_more_advice() -> None:
    slow = Slow()
    cache = AdviceCache(slow)
    cache.prefetch(["Heron"])
    assert slow.begun.wait(timeout=10)
    cache.stop()
    cache.prefetch(["Tern"])
    slow.go_on.set()
    slow.wait()
    assert get(cache, "Plover") == "Plover 2"  # whoever asks is answered to the end
    assert [splicer for splicer, _ in slow.calls] == ["Heron", "Plover"]


def test_two_who_ask_at_once_wait_for_one_answer() -> None:
    slow = Slow()
    cache = AdviceCache(slow)
    found: list[Any] = []
    askers = [threading.Thread(target=lambda: found.append(get(cache, "Heron")))
              for _ in range(2)]  # fmt: skip
    askers[0].start()
    assert slow.begun.wait(timeout=10)
    askers[1].start()
    slow.go_on.set()
    for asker in askers:
        asker.join(timeout=10)
    assert found == ["Heron 1", "Heron 1"]


def test_many_are_worked_out_together() -> None:
    asked = Asked()
    cache = AdviceCache(asked)
    assert cache.get(["Heron", "Tern"]) == {"Heron": "Heron 1", "Tern": "Tern 2"}
    assert cache.get(["Tern", "Plover"]) == {"Tern": "Tern 2", "Plover": "Plover 3"}
    assert cache.missing(["Tern"]) == []
    asked.basis = "2"
    assert cache.missing(["Tern"]) == ["Tern"]
