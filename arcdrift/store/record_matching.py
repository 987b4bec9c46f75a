"""What the store holds of one event that several rows speak of.

Everything follows from the set of rows, never from the order in which they came: the order of
imports only says which of several versions counts until a person decides. So the same logs give
the same records and conflicts in any order, and taking an import back leaves what the others
would have made without it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from arcdrift.store.schema import TIME_COLUMN

MINUTE_US = 60_000_000
Values = Mapping[str, Any]


@dataclass(frozen=True)
class Shape:
    """What makes rows of one kind the same event.

    Attributes
    ----------
    who : tuple of str
        Columns that name whose event it is.
    repeats : bool
        Whether a log that keeps minutes may hold several events in one; a number or an arc
        count then tells them apart.
    defaults : mapping
        Values of columns that a row leaves empty.
    """

    kind: str
    who: tuple[str, ...]
    repeats: bool
    defaults: Values = field(default_factory=dict)

    @property
    def time(self) -> str:
        """The record's time column."""
        return TIME_COLUMN[self.kind]


SHAPES: dict[str, Shape] = {
    "arc-checks": Shape("arc-checks", ("splicer",), True),
    "splices": Shape("splices", ("splicer",), True, {"outcome": "done", "purpose": "production"}),
    "readings": Shape("readings", ("site", "splicer", "source"), False),
    "service": Shape("service", ("asset", "action"), False),
}


@dataclass(frozen=True, eq=False)
class Claim:
    """What one row of one file says.

    Attributes
    ----------
    order : tuple of int
        Its import and its line.
    exact : bool
        Whether the file keeps seconds.
    at : int
        Its time, microseconds UTC.
    says : mapping
        Values of the columns that the file has, but whose it is and when; None for missing.
    anchor : int
        Id of the stored record it was counted to so far, -1 for a new row.
    raw : str
        Text of the row, as far as it is known.
    """

    order: tuple[int, int]
    exact: bool
    at: int
    says: Values
    anchor: int = -1
    raw: str = ""

    @property
    def number(self) -> Any:
        """Splice number, None where there is none."""
        return self.says.get("splice_number")

    @property
    def arcs(self) -> Any:
        """Arc count, None where there is none."""
        return self.says.get("arc_count")

    @property
    def content(self) -> frozenset[tuple[str, Any]]:
        """What it says, to compare."""
        return frozenset(self.says.items())


Events = dict[tuple[Any, int], list[Claim]]
"""Rows of each event, by splice number (None for none) and time."""


@dataclass(frozen=True)
class Version:
    """One account of an event: its values, and the rows that give it, the earliest first."""

    values: Values
    claims: tuple[Claim, ...]


@dataclass(frozen=True)
class Event:
    """One event: when it was, and its versions, the one imported first at the front."""

    at: int
    versions: tuple[Version, ...]

    @property
    def claims(self) -> list[Claim]:
        """Every row that speaks of it, in order of import."""
        return sorted((c for v in self.versions for c in v.claims), key=_order)


def agree(one: Values, other: Values) -> bool:
    """Whether two rows contradict each other nowhere: in no column that both have."""
    return all(other[name] == value for name, value in one.items() if name in other)


def events_of(claims: Iterable[Claim], shape: Shape) -> list[Event]:
    """Divide what rows say of one splicer's minute (or one place's instant) into events.

    Rows of logs with seconds belong together when time and splice number agree; a log without
    numbers joins the one numbered splice of its second, of several the first it agrees with.
    A row of a log that keeps minutes joins the splice of that minute with its splice number,
    else with its arc count, else one that it contradicts nowhere and no other row of its log
    is; the splice keeps the finer time. The rows left over are counted: as many events as the
    fullest log has of them.
    """
    rows = sorted(claims, key=_order)
    if not shape.repeats:
        return [_one_event(rows)] if rows else []
    events = _of_seconds(rows)
    exact = set(events)
    _join_by_number([c for c in rows if not c.exact and c.number is not None], events)
    left = [claim for claim in rows if not claim.exact and claim.number is None]
    left = _join_by_arcs(left, events)
    left = _join_fitting(left, events)
    found = [
        _one_event(sorted(members, key=_order), key[1] if key in exact else None)
        for key, members in events.items()
    ]
    return found + _counted(left)


def _of_seconds(rows: Sequence[Claim]) -> Events:
    """Events of logs with seconds, by splice number (None for none) and time."""
    events: Events = {}
    for claim in rows:
        if claim.exact and (claim.number is not None or "splice_number" in claim.says):
            events.setdefault((claim.number, claim.at), []).append(claim)
    numbered = _as_they_stand(events)
    for claim in rows:
        if claim.exact and "splice_number" not in claim.says:
            there = [key for key in numbered if key[1] == claim.at and key[0] is not None]
            if len(there) > 1:
                there = [key for key in there if _fits(claim, numbered[key])]
            key = there[0] if there else (None, claim.at)
            events.setdefault(key, []).append(claim)
    return events


def _join_by_number(rows: Sequence[Claim], events: Events) -> None:
    """Let numbered rows of minutes join the splice with their number, else make one."""
    by_number: dict[Any, list[Claim]] = {}
    for claim in rows:
        by_number.setdefault(claim.number, []).append(claim)
    standing = _as_they_stand(events)
    for number, members in by_number.items():
        there = [key for key in standing if key[0] == number] or [
            key
            for key, others in standing.items()
            if key[0] is None
            and all("splice_number" not in other.says for other in others)
            and _share_arcs(members, others)
        ]
        key = min(there, key=lambda key: key[1]) if there else (number, members[0].at)
        events.setdefault(key, []).extend(members)


def _join_by_arcs(rows: Sequence[Claim], events: Events) -> list[Claim]:
    """Let rows of minutes join the splice with their arc count; returns the others."""
    standing = _as_they_stand(events)
    left = []
    for claim in rows:
        key = _by_arcs(claim, standing, rows)
        if key is None:
            left.append(claim)
        else:
            events[key].append(claim)
    return left


def _as_they_stand(events: Events) -> Events:
    """A copy that stays as it is while rows join, so that none joins for another's sake."""
    return {key: list(events[key]) for key in sorted(events, key=_key_order)}


def _order(claim: Claim) -> tuple[int, int]:
    return claim.order


def _share_arcs(some: Sequence[Claim], others: Sequence[Claim]) -> bool:
    return bool(
        {c.arcs for c in some if c.arcs is not None}
        & {c.arcs for c in others if c.arcs is not None}
    )


def _by_arcs(claim: Claim, events: Events, rows: Sequence[Claim]) -> tuple[Any, int] | None:
    """The event of the same arc count that a row without seconds and number belongs to."""
    if claim.arcs is None:
        return None
    there = sorted(
        (
            key
            for key, members in events.items()
            if (key[0] is None or "splice_number" not in claim.says)
            and _share_arcs([claim], members)
        ),
        key=_key_order,
    )
    same = [key for key in there if _fits(claim, events[key])]
    if same:
        return same[0]
    alike = [c for c in rows if c.order[0] == claim.order[0] and c.arcs == claim.arcs]
    return there[0] if there and len(alike) == 1 else None


def _join_fitting(rows: Sequence[Claim], events: Events) -> list[Claim]:
    """Let rows of minutes join the events they fit, one of a log each; returns the others.

    What a log's rows join follows from its own rows and the events, not from other logs'.
    """
    there = _as_they_stand(events)
    taken = {(key, other.order[0]) for key, members in there.items() for other in members}
    left = []
    for claim in sorted(rows, key=lambda c: (sorted(map(repr, c.content)), c.order)):
        free = (key for key in there if (key, claim.order[0]) not in taken)
        key = next((key for key in free if _fits(claim, there[key])), None)
        if key is None:
            left.append(claim)
        else:
            taken.add((key, claim.order[0]))
            events[key].append(claim)
    return sorted(left, key=_order)


def _fits(claim: Claim, members: Iterable[Claim]) -> bool:
    return any(agree(claim.says, other.says) for other in members)


def _key_order(key: tuple[Any, int]) -> tuple[int, Any]:
    return key[1], -1 if key[0] is None else key[0]


def _one_event(rows: Sequence[Claim], at: int | None = None) -> Event:
    """Merge what rows say of one event; undisputed columns complete every version."""
    values: dict[str, Any] = {}
    disputed: set[str] = set()
    for claim in rows:
        for name, value in claim.says.items():
            if name in values and values[name] != value:
                disputed.add(name)
            values.setdefault(name, value)
    at = rows[0].at if at is None else at
    if not disputed:
        return Event(at, (Version(values, tuple(rows)),))
    settled = {name: value for name, value in values.items() if name not in disputed}
    says = [frozenset((n, v) for n, v in c.says.items() if n in disputed) for c in rows]
    accounts = [one for one in dict.fromkeys(says) if not any(one < other for other in says)]
    members: dict[frozenset[tuple[str, Any]], list[Claim]] = {one: [] for one in accounts}
    for claim, said in zip(rows, says, strict=True):
        members[next(one for one in accounts if said <= one)].append(claim)
    return Event(
        at,
        tuple(Version({**settled, **dict(one)}, tuple(members[one])) for one in accounts),
    )


def _counted(rows: Sequence[Claim]) -> list[Event]:
    """Events of a minute that only their content tells apart."""
    if not rows:
        return []
    items = _items(rows)
    by_import: dict[int, int] = {}
    for claim in rows:
        by_import[claim.order[0]] = by_import.get(claim.order[0], 0) + 1
    events = max(by_import.values())
    items.sort(key=lambda item: min(claim.order for claim in item))
    groups = [[item] for item in items[:events]]
    for item in items[events:]:
        sources = {claim.order[0] for claim in item}
        free = [g for g in groups if not any(c.order[0] in sources for i in g for c in i)]
        (free or groups)[0].append(item)
    return [
        Event(rows[0].at, tuple(Version(_merged(i), tuple(sorted(i, key=_order))) for i in group))
        for group in groups
    ]


def _items(rows: Sequence[Claim]) -> list[list[Claim]]:
    """Rows that are the same event: they agree, each file's first with each other file's first."""
    of_content: dict[frozenset[tuple[str, Any]], list[Claim]] = {}
    for claim in rows:
        of_content.setdefault(claim.content, []).append(claim)
    items: list[list[Claim]] = []
    # by what they say, the fullest first, so that the order of files tells nothing
    for content in sorted(of_content, key=lambda c: (-len(c), sorted(map(repr, c)))):
        fitting = [item for item in items if all(agree(dict(content), o.says) for o in item)]
        fitting.sort(key=lambda item: not any(content < other.content for other in item))
        own: list[list[Claim]] = []
        for claim in of_content[content]:
            for item in (*fitting, *own):
                if all(other.order[0] != claim.order[0] for other in item):
                    item.append(claim)
                    break
            else:
                own.append([claim])
        items += own
    return items


def _merged(item: Sequence[Claim]) -> Values:
    return {name: value for claim in item for name, value in claim.says.items()}
