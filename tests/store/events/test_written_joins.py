"""Which logged event something written down by hand is, by the rule of `written_joins`."""

import itertools

import pytest

from arcdrift.store.events.record_matching import (
    MINUTE_US,
    RECORD_IDENTITIES,
    Event,
    SourceRow,
)
from arcdrift.store.events.written_joins import match_with_written, nearness_us

CHECKS, SERVICE = RECORD_IDENTITIES["arc-checks"], RECORD_IDENTITIES["service"]


def logged(
    minute: float, line: int = 2, *, date_alone: bool = False, **values: object
) -> SourceRow:
    time_us = int(minute * MINUTE_US)
    return SourceRow((1, line), True, time_us, values, date_alone=date_alone)


def by_hand(
    minute: float, number: int = 10, subject: tuple[str, ...] = ("Heron",), **values: object
) -> SourceRow:
    near = nearness_us(subject)
    return SourceRow((number, 1), True, int(minute * MINUTE_US), values, near_us=near)


def check(setting: float | None = 12.0, outcome: str = "pass", **values: object) -> dict:
    return {"outcome": outcome, "arc_setting": setting, **values}


def partners(events: list[Event]) -> list[tuple[float | None, int | None]]:
    """Logged minute and number of the hand-written row of each event, None for none."""
    pairs = []
    for event in events:
        rows = event.rows
        log = [row.time_us / MINUTE_US for row in rows if not row.by_hand]
        hand = [row.origin[0] for row in rows if row.by_hand]
        assert len(hand) <= 1
        pairs.append((log[0] if log else None, hand[0] if hand else None))
    return sorted(pairs, key=str)


@pytest.mark.parametrize(
    ("minutes_later", "values", "joins"),
    [
        (30, check(), True),
        (-30, check(), True),
        (31, check(), False),
        (5, check(13.0), True),  # a slip of the pen
        (6, check(13.0), False),
        (30, check(13.0, arc_count=40.0), True),  # the count tells which check it was
        (30, check(None), True),
        (1, check(outcome="fail"), False),
        (30, check(arc_count=41.0), True),
    ],
)
def test_a_check_joins_the_logged_one_nearby_with_the_same_outcome_and_setting(
    minutes_later: float, values: dict, joins: bool
) -> None:
    rows = [logged(100, **check(arc_count=40.0)), by_hand(100 + minutes_later, **values)]
    assert len(match_with_written(rows, CHECKS)) == (1 if joins else 2)


def test_logged_values_win_and_the_hand_fills_what_is_missing() -> None:
    rows = [
        logged(100, **check(arc_count=None, technician=None, remark="log")),
        by_hand(103, **check(arc_count=40.0, technician="Robin", remark="hand")),
    ]
    (event,) = match_with_written(rows, CHECKS)
    (version,) = event.versions
    assert event.time_us == 100 * MINUTE_US
    assert version.values == check(arc_count=40.0, technician="Robin", remark="log")


def test_values_that_differ_are_a_second_version() -> None:
    rows = [
        by_hand(100, number=0, **check(13.0, technician="Robin")),
        logged(100, **check(12.0, technician="Kim")),
    ]
    (event,) = match_with_written(rows, CHECKS)
    first, second = event.versions
    assert first.values == check(12.0, technician="Kim")  # although the hand came first
    assert second.values == check(13.0, technician="Kim")
    assert [row.by_hand for row in event.rows] == [False, True]


def test_a_failed_check_and_the_pass_after_it_each_take_their_own() -> None:
    rows = [
        logged(100, 2, **check(None, "fail")),
        logged(105, 3, **check(12.0)),
        by_hand(107, 10, **check(12.0)),
        by_hand(106, 11, **check(None, "fail")),
    ]
    assert partners(match_with_written(rows, CHECKS)) == [(100.0, 11), (105.0, 10)]


def test_one_row_joins_one_event_and_the_nearest_pairs_come_first() -> None:
    rows = [
        logged(100, 2, **check()),
        logged(110, 3, **check()),
        by_hand(112, 10, **check()),
        by_hand(125, 11, **check()),
        by_hand(130, 12, **check()),
    ]
    expected = [(100.0, 11), (110.0, 10), (None, 12)]
    for order in itertools.permutations(rows):
        assert partners(match_with_written(order, CHECKS)) == expected


def test_an_arc_count_that_agrees_goes_before_a_nearer_time() -> None:
    rows = [
        logged(100, 2, **check(arc_count=40.0)),
        logged(110, 3, **check(arc_count=50.0)),
        by_hand(111, 10, **check(arc_count=40.0)),
    ]
    assert partners(match_with_written(rows, CHECKS)) == [(100.0, 10), (110.0, None)]


@pytest.mark.parametrize(
    ("action", "hours", "joins"),
    [
        ("electrodes replaced", 12, True),
        ("electrodes replaced", 12.1, False),
        ("blade rotated", 0.5, True),
        ("blade rotated", 0.6, False),
        ("cleaned", 0.6, False),
    ],
)
def test_service_that_nobody_does_twice_a_day_joins_within_half_a_day(
    action: str, hours: float, joins: bool
) -> None:
    rows = [
        logged(6000, remark=None),
        by_hand(6000 + 60 * hours, subject=("Heron", action), remark="x"),
    ]
    assert len(match_with_written(rows, SERVICE)) == (1 if joins else 2)


@pytest.mark.parametrize(("hours", "joins"), [(0, True), (23.9, True), (24, False), (-0.6, False)])
def test_a_date_alone_is_any_time_of_its_day_and_takes_the_time_written_down(
    hours: float, joins: bool
) -> None:
    hand = by_hand(6000 + 60 * hours, subject=("C1", "blade rotated"))
    events = match_with_written([logged(6000, date_alone=True, remark=None), hand], SERVICE)
    assert len(events) == (1 if joins else 2)
    if joins:
        assert events[0].time_us == hand.time_us
