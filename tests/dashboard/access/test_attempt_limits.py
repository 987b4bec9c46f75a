"""Limits on wrong passwords in a window that slides."""

from concurrent.futures import ThreadPoolExecutor

from dashboard.access import attempt_limits
from dashboard.access.attempt_limits import (
    MOST_OF_A_USER,
    MOST_OF_AN_ADDRESS,
    WINDOW_SECONDS,
    AttemptLimits,
)


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_a_user_is_limited_from_wherever_until_the_window_has_passed():
    clock = Clock()
    limits = AttemptLimits(clock)
    for n in range(MOST_OF_A_USER):
        assert limits.begin("ada", f"192.0.2.{n}") == 0
        clock.now += 10
    assert limits.begin("ada", "192.0.2.99") == WINDOW_SECONDS - 10 * MOST_OF_A_USER
    assert limits.begin("bo", "192.0.2.99") == 0
    clock.now = 1000.0 + WINDOW_SECONDS
    assert limits.begin("ada", "192.0.2.99") == 0


def test_an_address_is_limited_whomever_it_tries():
    limits = AttemptLimits(Clock())
    waits = [limits.begin(f"user {n}", "192.0.2.1") for n in range(MOST_OF_AN_ADDRESS + 1)]
    assert [wait > 0 for wait in waits] == [False] * MOST_OF_AN_ADDRESS + [True]
    # the addresses that one client of IPv6 can choose among count as one
    waits = [limits.begin(f"n{n}", f"2001:db8::{n:x}") for n in range(MOST_OF_AN_ADDRESS + 1)]
    assert waits[-1] > 0
    assert limits.begin("n", "2001:db8:0:1::1") == 0


def test_a_success_is_taken_back():
    limits = AttemptLimits(Clock())
    for _ in range(3 * MOST_OF_AN_ADDRESS):
        assert limits.begin("ada", "192.0.2.1") == 0
        limits.succeeded("ada", "192.0.2.1")


def test_many_at_once_gain_nothing():
    limits = AttemptLimits()
    with ThreadPoolExecutor(16) as pool:
        waits = list(pool.map(lambda n: limits.begin("ada", f"192.0.2.{n}"), range(100)))
    assert sum(wait == 0 for wait in waits) == MOST_OF_A_USER


def test_memory_is_bounded(monkeypatch):
    monkeypatch.setattr(attempt_limits, "MOST_KEPT", 50)
    limits = AttemptLimits(Clock())
    for n in range(500):
        limits.begin(f"user {n}", f"10.0.{n // 200}.{n % 200}")
    assert len(limits._attempts) <= 50
