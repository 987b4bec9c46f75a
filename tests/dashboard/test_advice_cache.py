"""Advice that is cache at hand: never another store's, never older than promised."""

import threading
from typing import Any

import pytest

from dashboard.reading import advice_cache
from dashboard.reading.advice_cache import FRESH_SECONDS, STALE_SECONDS, AdviceCache


class Clock:
    """Seconds that pass when a test says so."""

    now = 1000.0

    def __call__(self) -> float:
        return self.now


class Asked:
    """Hands out numbered answers and notes who asked in which thread."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, bool]] = []
        self.done = threading.Semaphore(0)

    def __call__(self, splicer: str) -> Any:
        self.calls.append((splicer, threading.current_thread().name == "advice"))
        self.done.release()
        return f"{splicer} {len(self.calls)}"

    def wait(self) -> None:
        assert self.done.acquire(timeout=10)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(advice_cache, "monotonic", clock)
    return clock


def settled(cache: AdviceCache, splicer: str, version: str, words: str) -> bool:
    """Whether the worker's answer arrives; it is stored a moment after it was asked."""
    for _ in range(200):
        if str(cache.get(splicer, version)) == words:
            return True
        threading.Event().wait(0.01)
    return False


def test_fresh_advice_is_asked_once(clock: Clock) -> None:
    asked = Asked()
    cache = AdviceCache(asked, clock_stands_still=False)
    assert cache.get("Heron", "1") == cache.get("Heron", "1") == "Heron 1"
    clock.now += FRESH_SECONDS
    assert cache.get("Heron", "1") == "Heron 1"
    assert asked.calls == [("Heron", False)]


def test_another_version_of_the_store_is_never_answered_from_the_former(clock: Clock) -> None:
    asked = Asked()
    cache = AdviceCache(asked, clock_stands_still=True)
    assert cache.get("Heron", "1") == "Heron 1"
    assert cache.get("Heron", "2") == "Heron 2"
    assert cache.get("Kestrel", "2") == "Kestrel 3"


def test_aging_advice_is_shown_once_more_while_new_is_worked_out(clock: Clock) -> None:
    asked = Asked()
    cache = AdviceCache(asked, clock_stands_still=False)
    cache.get("Heron", "1")
    asked.wait()
    clock.now += FRESH_SECONDS + 1
    assert cache.get("Heron", "1") == "Heron 1"
    asked.wait()
    assert settled(cache, "Heron", "1", "Heron 2")
    assert asked.calls == [("Heron", False), ("Heron", True)]


def test_advice_too_old_to_show_is_waited_for(clock: Clock) -> None:
    asked = Asked()
    cache = AdviceCache(asked, clock_stands_still=False)
    cache.get("Heron", "1")
    clock.now += STALE_SECONDS + 1
    assert cache.get("Heron", "1") != "Heron 1"


def test_where_the_clock_stands_still_advice_does_not_age(clock: Clock) -> None:
    asked = Asked()
    cache = AdviceCache(asked, clock_stands_still=True)
    cache.get("Heron", "1")
    clock.now += 10 * STALE_SECONDS
    assert cache.get("Heron", "1") == "Heron 1"
    assert len(asked.calls) == 1


def test_advice_is_got_ready_behind_the_scenes_and_trouble_waits_for_whoever_asks() -> None:
    asked = Asked()

    def ask(splicer: str) -> Any:
        answer = asked(splicer)
        if splicer == "Plover":
            raise OSError("the disk is gone")
        return answer

    cache = AdviceCache(ask, clock_stands_still=True)
    cache.prefetch(["Plover", "Heron"], "1")
    asked.wait()
    asked.wait()
    assert settled(cache, "Heron", "1", "Heron 2")
    cache.prefetch(["Heron"], "1")  # nothing to do
    with pytest.raises(OSError, match="the disk is gone"):
        cache.get("Plover", "1")
    assert asked.calls == [("Plover", True), ("Heron", True), ("Plover", False)]


def test_the_process_ends_after_the_advice_at_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    at_exit: list[Any] = []
    monkeypatch.setattr(advice_cache.atexit, "register", lambda *call: at_exit.append(call))
    begun, release = threading.Event(), threading.Event()
    asked = Asked()

    def slow(splicer: str) -> Any:
        begun.set()
        assert release.wait(timeout=10)
        return asked(splicer)

    cache = AdviceCache(slow, clock_stands_still=True)
    cache.prefetch(["Heron", "Tern", "Dunlin"], "1")
    assert begun.wait(timeout=10)
    ((stop, worker),) = at_exit
    threading.Timer(0.1, release.set).start()
    stop(worker)
    assert not worker.is_alive()
    assert asked.calls == [("Heron", True)]


def test_two_who_ask_at_once_wait_for_one_answer():
    begun, go_on = threading.Event(), threading.Event()
    calls: list[str] = []

    def slow(splicer: str) -> Any:
        calls.append(splicer)
        begun.set()
        assert go_on.wait(timeout=10)
        return "answer"

    cache = AdviceCache(slow, clock_stands_still=True)
    found: list[Any] = []
    askers = [threading.Thread(target=lambda: found.append(cache.get("Heron", "1")))
              for _ in range(2)]  # fmt: skip
    askers[0].start()
    assert begun.wait(timeout=10)
    askers[1].start()
    go_on.set()
    for asker in askers:
        asker.join(timeout=10)
    assert found == ["answer", "answer"]
    assert calls == ["Heron"]
