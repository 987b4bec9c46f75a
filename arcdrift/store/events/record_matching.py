"""Divides rows of log files into events, and each event into versions that differ.

Several files may report the same splice or check. The result depends on the set of rows alone:
the order of imports only says which of several versions is stored until a person decides. So the
same logs give the same records and conflicts in any order, and undoing an import leaves what the
other imports would have made without it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from arcdrift.store.schema import TIME_COLUMN

MINUTE_US = 60_000_000
Values = Mapping[str, Any]


@dataclass(frozen=True)
class RecordIdentity:
    """What makes rows of one kind the same event.

    Attributes
    ----------
    subject : tuple of str
        Columns that name the splicer, place or asset of an event.
    several_per_minute : bool
        Whether a log that keeps minutes may hold several events of a subject in one minute; a
        splice number or an arc count then tells them apart.
    defaults : mapping
        Values of columns that a row leaves empty.
    """

    kind: str
    subject: tuple[str, ...]
    several_per_minute: bool
    defaults: Values = field(default_factory=dict)

    @property
    def time(self) -> str:
        """Name of the record's time column."""
        return TIME_COLUMN[self.kind]


_SPLICE_DEFAULTS = {"outcome": "done", "purpose": "production"}
RECORD_IDENTITIES: dict[str, RecordIdentity] = {
    "arc-checks": RecordIdentity("arc-checks", ("splicer",), True),
    "splices": RecordIdentity("splices", ("splicer",), True, _SPLICE_DEFAULTS),
    "readings": RecordIdentity("readings", ("site", "splicer", "station", "source"), False),
    "service": RecordIdentity("service", ("asset", "action"), False),
}


@dataclass(frozen=True, eq=False)
class SourceRow:
    """One row of one file.

    Attributes
    ----------
    origin : tuple of int
        Its import and its line; also the order of import.
    has_seconds : bool
        Whether the file keeps seconds.
    time_us : int
        Its time, microseconds UTC.
    values : mapping
        Values of the columns that the file has, without subject and time; None for missing.
    record_id : int
        Id of the stored record it was matched with so far, -1 for a new row.
    raw : str
        Text of the row, as far as it is known.
    date_alone : bool
        Whether its file has dates without a time of day.
    near_us : int
        For a row that was written down by hand: most microseconds to the logged event; else -1.
    """

    origin: tuple[int, int]
    has_seconds: bool
    time_us: int
    values: Values
    record_id: int = -1
    raw: str = ""
    date_alone: bool = False
    near_us: int = -1

    @property
    def by_hand(self) -> bool:
        """Whether it was written down by hand."""
        return self.near_us >= 0

    @property
    def splice_number(self) -> Any:
        """Splice number, None where there is none."""
        return self.values.get("splice_number")

    @property
    def arc_count(self) -> Any:
        """Arc count, None where there is none."""
        return self.values.get("arc_count")

    @property
    def content(self) -> frozenset[tuple[str, Any]]:
        """Its values in a form that can be compared and counted."""
        return frozenset(self.values.items())


EventKey = tuple[Any, int]
"""Splice number (None for none) and time."""
Events = dict[EventKey, list[SourceRow]]
"""Rows of each event."""


@dataclass(frozen=True)
class Version:
    """One version of an event: its values, and the rows that report it, the earliest first."""

    values: Values
    rows: tuple[SourceRow, ...]


@dataclass(frozen=True)
class Event:
    """One event: its time, and its versions, the one imported first at the front."""

    time_us: int
    versions: tuple[Version, ...]

    @property
    def rows(self) -> list[SourceRow]:
        """Every row that reports it, in order of import; one written down by hand comes last."""
        rows = (row for version in self.versions for row in version.rows)
        return sorted(rows, key=lambda row: (row.by_hand, row.origin))


def agree(values: Values, others: Values) -> bool:
    """Whether two rows have equal values in every column that both have."""
    return all(others[name] == value for name, value in values.items() if name in others)


def match_events(rows: Iterable[SourceRow], identity: RecordIdentity) -> list[Event]:
    """Divide the rows of one splicer's minute (or one place's instant) into events.

    Rows of logs with seconds belong together when time and splice number agree; a row of a log
    without numbers joins the one numbered splice of its second, of several the first it agrees
    with. A row of a log that keeps minutes joins the splice of that minute with its splice
    number, else with its arc count, else one that it agrees with and that no other row of its
    log has joined; the event keeps the time with seconds. The other rows are counted: there are
    as many events as the log with most of these rows has of them.
    """
    ordered = sorted(rows, key=_origin)
    if not identity.several_per_minute:
        return [_one_event(ordered)] if ordered else []
    events = _events_with_seconds(ordered)
    with_seconds = set(events)
    of_minutes = [row for row in ordered if not row.has_seconds]
    _join_by_number([row for row in of_minutes if row.splice_number is not None], events)
    unmatched = [row for row in of_minutes if row.splice_number is None]
    unmatched = _join_by_arc_count(unmatched, events)
    unmatched = _join_agreeing(unmatched, events)
    matched = [
        _one_event(sorted(members, key=_origin), key[1] if key in with_seconds else None)
        for key, members in events.items()
    ]
    return matched + _counted(unmatched)


def _events_with_seconds(rows: Sequence[SourceRow]) -> Events:
    """Events of logs with seconds, by splice number (None for none) and time."""
    events: Events = {}
    timed = [row for row in rows if row.has_seconds]
    for row in timed:
        if "splice_number" in row.values:
            events.setdefault((row.splice_number, row.time_us), []).append(row)
    numbered = _copy_sorted(events)
    for row in timed:
        if "splice_number" not in row.values:
            keys = [key for key in numbered if key[1] == row.time_us and key[0] is not None]
            if len(keys) > 1:
                keys = [key for key in keys if _agrees_with_any(row, numbered[key])]
            events.setdefault(keys[0] if keys else (None, row.time_us), []).append(row)
    return events


def _join_by_number(rows: Sequence[SourceRow], events: Events) -> None:
    """Add numbered rows of minutes to the event with their number, else make a new event."""
    by_number: dict[Any, list[SourceRow]] = {}
    for row in rows:
        by_number.setdefault(row.splice_number, []).append(row)
    before = _copy_sorted(events)
    for number, members in by_number.items():
        keys = [key for key in before if key[0] == number] or [
            key
            for key, others in before.items()
            if key[0] is None
            and all("splice_number" not in other.values for other in others)
            and _share_arc_count(members, others)
        ]
        key = min(keys, key=lambda key: key[1]) if keys else (number, members[0].time_us)
        events.setdefault(key, []).extend(members)


def _join_by_arc_count(rows: Sequence[SourceRow], events: Events) -> list[SourceRow]:
    """Add rows of minutes to the event with their arc count; return the others."""
    before = _copy_sorted(events)
    unmatched = []
    for row in rows:
        key = _key_by_arc_count(row, before, rows)
        if key is None:
            unmatched.append(row)
        else:
            events[key].append(row)
    return unmatched


def _copy_sorted(events: Events) -> Events:
    """A copy to compare rows with, so that a row never joins because of one that joined before."""
    return {key: list(events[key]) for key in sorted(events, key=_key_order)}


def _origin(row: SourceRow) -> tuple[int, int]:
    return row.origin


def _share_arc_count(rows: Sequence[SourceRow], others: Sequence[SourceRow]) -> bool:
    return bool(
        {row.arc_count for row in rows if row.arc_count is not None}
        & {row.arc_count for row in others if row.arc_count is not None}
    )


def _key_by_arc_count(row: SourceRow, events: Events, rows: Sequence[SourceRow]) -> EventKey | None:
    """The event with the arc count of a row that has neither seconds nor a splice number."""
    if row.arc_count is None:
        return None
    keys = sorted(
        (
            key
            for key, members in events.items()
            if (key[0] is None or "splice_number" not in row.values)
            and _share_arc_count([row], members)
        ),
        key=_key_order,
    )
    agreeing = [key for key in keys if _agrees_with_any(row, events[key])]
    if agreeing:
        return agreeing[0]
    same_log = [other for other in rows if other.origin[0] == row.origin[0]]
    unique = sum(other.arc_count == row.arc_count for other in same_log) == 1
    return keys[0] if keys and unique else None


def _join_agreeing(rows: Sequence[SourceRow], events: Events) -> list[SourceRow]:
    """Add rows of minutes to events they agree with, one row of a log each; return the others.

    What a log's rows join depends on its own rows and the events, not on other logs' rows.
    """
    before = _copy_sorted(events)
    joined = {(key, other.origin[0]) for key, members in before.items() for other in members}
    unmatched = []
    for row in sorted(rows, key=lambda row: (sorted(map(repr, row.content)), row.origin)):
        free = (key for key in before if (key, row.origin[0]) not in joined)
        key = next((key for key in free if _agrees_with_any(row, before[key])), None)
        if key is None:
            unmatched.append(row)
        else:
            joined.add((key, row.origin[0]))
            events[key].append(row)
    return sorted(unmatched, key=_origin)


def _agrees_with_any(row: SourceRow, others: Iterable[SourceRow]) -> bool:
    return any(agree(row.values, other.values) for other in others)


def _key_order(key: EventKey) -> tuple[int, Any]:
    return key[1], -1 if key[0] is None else key[0]


def _one_event(rows: Sequence[SourceRow], time_us: int | None = None) -> Event:
    """Merge the rows of one event; columns that no row disputes complete every version."""
    values: dict[str, Any] = {}
    disputed: set[str] = set()
    for row in rows:
        for name, value in row.values.items():
            if name in values and values[name] != value:
                disputed.add(name)
            values.setdefault(name, value)
    time_us = rows[0].time_us if time_us is None else time_us
    if not disputed:
        return Event(time_us, (Version(values, tuple(rows)),))
    undisputed = {name: value for name, value in values.items() if name not in disputed}
    contents = [frozenset((n, v) for n, v in row.values.items() if n in disputed) for row in rows]
    # a row that has only some of the disputed columns belongs to a version that has more of them
    versions = [
        content
        for content in dict.fromkeys(contents)
        if not any(content < other for other in contents)
    ]
    members: dict[frozenset[tuple[str, Any]], list[SourceRow]] = {key: [] for key in versions}
    for row, content in zip(rows, contents, strict=True):
        members[next(version for version in versions if content <= version)].append(row)
    return Event(
        time_us,
        tuple(
            Version({**undisputed, **dict(version)}, tuple(members[version]))
            for version in versions
        ),
    )


def _counted(rows: Sequence[SourceRow]) -> list[Event]:
    """Events of a minute that only their content tells apart."""
    if not rows:
        return []
    items = _same_event_rows(rows)
    by_import: dict[int, int] = {}
    for row in rows:
        by_import[row.origin[0]] = by_import.get(row.origin[0], 0) + 1
    event_count = max(by_import.values())
    items.sort(key=lambda item: min(row.origin for row in item))
    groups = [[item] for item in items[:event_count]]
    for item in items[event_count:]:
        imports = {row.origin[0] for row in item}
        free = [
            group
            for group in groups
            if not any(row.origin[0] in imports for other in group for row in other)
        ]
        (free or groups)[0].append(item)
    return [Event(rows[0].time_us, tuple(map(_version, group))) for group in groups]


def _same_event_rows(rows: Sequence[SourceRow]) -> list[list[SourceRow]]:
    """Group rows that are the same event: they agree, and are of different files."""
    by_content: dict[frozenset[tuple[str, Any]], list[SourceRow]] = {}
    for row in rows:
        by_content.setdefault(row.content, []).append(row)
    items: list[list[SourceRow]] = []
    # sorted by content, the fullest first, so that the order of files has no influence
    for content in sorted(by_content, key=lambda c: (-len(c), sorted(map(repr, c)))):
        agreeing = [
            item for item in items if all(agree(dict(content), other.values) for other in item)
        ]
        agreeing.sort(key=lambda item: not any(content < other.content for other in item))
        new_items: list[list[SourceRow]] = []
        for row in by_content[content]:
            for item in (*agreeing, *new_items):
                if all(other.origin[0] != row.origin[0] for other in item):
                    item.append(row)
                    break
            else:
                new_items.append([row])
        items += new_items
    return items


def _version(rows: Sequence[SourceRow]) -> Version:
    """Merge rows that agree into one version."""
    values = {name: value for row in rows for name, value in row.values.items()}
    return Version(values, tuple(sorted(rows, key=_origin)))
