"""Joins what was written down by hand with the logged event that it is about.

A check that a person writes down and the same check in the splicer's log are one event when they
have the same splicer and the same outcome, lie at most 30 minutes apart, and either

- have the same arc setting, or one of them has none, or
- have the same arc count, which tells checks apart by itself, or
- lie at most 5 minutes apart: then the settings differ by a slip of the pen, and a person chooses.

Service of the same asset and action is one event within 30 minutes; actions that nobody does twice
a day (`RARE_ACTIONS`) within 12 hours, because they are often written down at the end of the work.
A log that has dates alone has midnight for a time: its events are those of the 24 hours after it,
and take the time that was written down.

The widths are ours. People write a check down once it is done, round its time to a quarter of an
hour, and splicers' clocks are some minutes off, so that a few minutes would leave many doubled. A
healthy splicer passes one check a day with a setting; a check that is repeated within half an
hour follows a failed one, and then the outcomes differ (see `tests/store/events`).

One hand-written row joins one logged event at most, and no logged event takes two: pairs are
taken from the nearest on, those that agree in more first. The result depends on the set of rows
alone, not on the order in which they came.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from arcdrift.store.events.record_matching import (
    MINUTE_US,
    Event,
    RecordIdentity,
    SourceRow,
    Version,
    match_events,
)

_HOUR_US = 60 * MINUTE_US
NEAR_US = 30 * MINUTE_US
"""Most time between a hand-written row and the logged event, microseconds."""
SLIP_US = 5 * MINUTE_US
"""The same where the arc settings differ."""
RARE_US = 12 * _HOUR_US
"""The same for service that is done once a day at most."""
DAY_US = 24 * _HOUR_US
RARE_ACTIONS = frozenset(
    {
        "electrodes replaced",
        "v-grooves cleaned",
        "blade replaced",
        "firmware updated",
        "factory service",
    }
)
DISPUTABLE = ("arc_setting", "arc_count")
"""Columns whose values can differ between two versions of one event.

Who wrote it down need not be who made it, and two remarks do not contradict each other: the other
columns of a hand-written row only fill what the log leaves empty."""


def nearness_us(subject: Sequence[Any]) -> int:
    """Most microseconds between a hand-written row of a subject and the logged event."""
    action = subject[1] if len(subject) > 1 else None
    return RARE_US if action in RARE_ACTIONS else NEAR_US


def reach_us(subject: Sequence[Any]) -> tuple[int, int]:
    """Microseconds before and after a hand-written row within which a log may have its event."""
    near = nearness_us(subject)
    return (DAY_US if len(subject) > 1 else near), near


def match_with_written(rows: Iterable[SourceRow], identity: RecordIdentity) -> list[Event]:
    """Divide rows of one subject into events, those of logs and those written down by hand.

    Logged rows of different minutes (or instants) never are one event; what was written down by
    hand is joined with their events afterwards, so that it never changes which of them belong
    together.
    """
    rows = list(rows)
    written = [row for row in rows if row.by_hand]
    if not written:
        return match_events(rows, identity)
    by_time: dict[int, list[SourceRow]] = {}
    for row in rows:
        if not row.by_hand:
            minute = row.time_us - row.time_us % MINUTE_US
            time_us = minute if identity.several_per_minute else row.time_us
            by_time.setdefault(time_us, []).append(row)
    events = [event for time in sorted(by_time) for event in match_events(by_time[time], identity)]
    return join_written(events, written)


def join_written(events: Sequence[Event], written: Sequence[SourceRow]) -> list[Event]:
    """Join hand-written rows with logged events; those without one become events of their own.

    Parameters
    ----------
    events : sequence of Event
        Logged events of one subject.
    written : sequence of SourceRow
        Its hand-written rows.
    """
    pairs = []
    for row in written:
        for number, event in enumerate(events):
            rank = _rank(row, event)
            if rank is not None:
                content = sorted(map(repr, row.content))
                pairs.append((rank, event.time_us, row.time_us, content, number, row))
    pairs.sort(key=lambda pair: (*pair[:4], _first_content(events[pair[4]]), pair[5].origin))
    row_of_event: dict[int, SourceRow] = {}
    joined: set[int] = set()
    for *_, number, row in pairs:
        if number not in row_of_event and id(row) not in joined:
            row_of_event[number] = row
            joined.add(id(row))
    result = [
        _joined(event, row_of_event[number]) if number in row_of_event else event
        for number, event in enumerate(events)
    ]
    alone = (row for row in written if id(row) not in joined)
    return result + [Event(row.time_us, (Version(row.values, (row,)),)) for row in alone]


def _rank(row: SourceRow, event: Event) -> tuple[int, int, int] | None:
    """How well a row fits an event, less is better; None where it cannot be the same."""
    after = row.time_us - event.time_us
    distance = abs(after)
    if any(other.date_alone for other in event.rows) and 0 <= after < DAY_US:
        distance = min(distance, row.near_us)
    if distance > row.near_us:
        return None
    logged = [version.values for version in event.versions]
    outcomes = {values.get("outcome") for values in logged}
    if "outcome" in row.values and row.values["outcome"] not in outcomes:
        return None
    count, setting = (_agreement(row, name, logged) for name in ("arc_count", "arc_setting"))
    if setting == _DIFFERS and count != _SAME and distance > SLIP_US:
        return None
    return count, int(setting == _DIFFERS), distance


_SAME, _UNKNOWN, _DIFFERS = 0, 1, 2


def _agreement(row: SourceRow, name: str, logged: Sequence[Any]) -> int:
    known = {values[name] for values in logged if values.get(name) is not None}
    value = row.values.get(name)
    if value is None or not known:
        return _UNKNOWN
    return _SAME if value in known else _DIFFERS


def _first_content(event: Event) -> list[str]:
    return min(sorted(map(repr, row.content)) for row in event.rows)


def _joined(event: Event, row: SourceRow) -> Event:
    """An event with a hand-written row: logged values count, the row fills what is missing."""
    stated = {name: value for name, value in row.values.items() if value is not None}
    versions = [
        Version(_filled(version.values, stated), version.rows) for version in event.versions
    ]
    claims = {name: value for name, value in stated.items() if name in DISPUTABLE}
    # a date alone says less of the time than the person does
    time_us = row.time_us if all(other.date_alone for other in event.rows) else event.time_us
    for number, version in enumerate(versions):
        if all(version.values[name] == value for name, value in claims.items()):
            versions[number] = Version(version.values, (*version.rows, row))
            return Event(time_us, tuple(versions))
    versions.append(Version({**versions[0].values, **claims}, (row,)))
    return Event(time_us, tuple(versions))


def _filled(values: Any, stated: dict[str, Any]) -> dict[str, Any]:
    missing = {name: value for name, value in stated.items() if values.get(name) is None}
    return {**values, **missing}
