"""Brings stored records and conflicts in line with what all rows that speak of them say."""

import json
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from sqlalchemy import Connection, bindparam, delete, insert, update

from arcdrift.store import schema
from arcdrift.store.event_candidates import Group, document, load, says, sources_of
from arcdrift.store.fetch import fetch_within
from arcdrift.store.record_matching import Claim, Event, Shape, Values, Version, agree, events_of


def resettle(
    connection: Connection,
    shape: Shape,
    keys: Collection[tuple[Any, ...]],
    *,
    without: int | None = None,
) -> None:
    """Settle groups of rows anew.

    Parameters
    ----------
    keys : collection of tuple
        The groups, from `arcdrift.store.event_candidates.keys_of`.
    without : int, optional
        An import whose rows no longer count.
    """
    if not keys:
        return
    reader = partial(fetch_within, connection, order=["id"])
    given = {number: source.given for number, source in sources_of(reader, shape).items()}
    work = _Work(connection, shape)
    for group in load(reader, shape, keys).values():
        claims = [claim for claim in group.claims if claim.order[0] != without]
        _settle(work, group, events_of(claims, shape), given)
    work.finish()


@dataclass
class _Work:
    """Changes gathered over many groups, written together."""

    connection: Connection
    shape: Shape
    dropped: dict[str, list[int]] = field(default_factory=dict)
    changed: list[dict[str, Any]] = field(default_factory=list)
    claims: list[dict[str, Any]] = field(default_factory=list)
    conflicts: list[dict[str, Any]] = field(default_factory=list)
    numbered: list[dict[str, Any]] = field(default_factory=list)

    def add_record(self, row: dict[str, Any]) -> int:
        table = schema.RECORDS[self.shape.kind]
        key = self.connection.execute(insert(table).values(**row)).inserted_primary_key
        assert key is not None  # noqa: S101 - a single-row insert always has one
        return int(key[0])

    def drop(self, table: str, ids: Iterable[int]) -> None:
        self.dropped.setdefault(table, []).extend(ids)

    def finish(self) -> None:
        for name, ids in self.dropped.items():
            table = schema.metadata.tables[name]
            gone = delete(table).where(table.columns.id == bindparam("gone"))
            if ids:
                self.connection.execute(gone, [{"gone": number} for number in ids])
        if self.changed:
            table = schema.RECORDS[self.shape.kind]
            names = [name for name in self.changed[0] if name != "its_id"]
            change = update(table).where(table.columns.id == bindparam("its_id"))
            values: dict[str, Any] = {name: bindparam(name) for name in names}
            self.connection.execute(change.values(values), self.changed)
        for table, rows in (
            (schema.claims, self.claims),
            (schema.conflicts, self.numbered),
            (schema.conflicts, self.conflicts),
        ):
            if rows:
                self.connection.execute(insert(table), rows)


def _settle(
    work: _Work, group: Group, events: list[Event], given: dict[int, tuple[str, ...]]
) -> None:
    free = dict(group.records)
    rows = {}
    for event in events:  # an event keeps the id it had, whoever came first
        known = [claim.anchor for claim in event.claims if claim.anchor in free]
        if known:
            rows[id(event)] = free.pop(known[0])
    work.drop("claims", group.claim_ids)
    work.drop("conflicts", [row["id"] for row in group.conflicts])
    for event in events:
        row = rows.get(id(event))
        if row is None and free:
            row = free.pop(next(iter(free)))
        _settle_event(work, group, event, row, given)
    work.drop(schema.RECORDS[work.shape.kind].name, free)


def _settle_event(
    work: _Work,
    group: Group,
    event: Event,
    row: dict[str, Any] | None,
    given: dict[int, tuple[str, ...]],
) -> None:
    shape = work.shape
    first = event.claims[0]
    decisions = _decisions(shape, event, group, given)
    counts = event.versions[0]
    for _, version, decision in sorted(decisions, key=lambda one: one[0]):
        if decision["kept"] == "new":
            counts = version
    record: dict[str, Any] = {
        **{name: None for name in schema.RECORDS[shape.kind].columns.keys() if name != "id"},
        **_whole(shape, counts),
        **group.who,
        "import_id": first.order[0],
        "line": first.order[1],
        shape.time: event.at,
    }
    if row is None:
        number = work.add_record(record)
    else:
        number = row["id"]
        if any(row[name] != value for name, value in record.items()):
            work.changed.append({**record, "its_id": number})
    decided = {id(version): decision for _, version, decision in decisions}
    settled: set[int] = set()
    if first.at == event.at and first.says == says(shape, record, given[first.order[0]]):
        settled.add(id(first))
    for version in event.versions[1:]:
        settled.add(id(version.claims[0]))
        _conflict(work, group, event, version, number, decided.get(id(version)), counts)
    work.claims.extend(
        {
            "import_id": claim.order[0],
            "line": claim.order[1],
            "kind": shape.kind,
            "record_id": number,
            "record": document(shape, group.who, claim.at, claim.says),
            "raw": claim.raw,
        }
        for claim in event.claims
        if id(claim) not in settled
    )


def _conflict(
    work: _Work,
    group: Group,
    event: Event,
    version: Version,
    number: int,
    decision: dict[str, Any] | None,
    counts: Version,
) -> None:
    shape, claim = work.shape, version.claims[0]
    against = counts
    if decision is not None:
        against = _against(event, version, json.loads(decision["decided_against"])) or counts
    old, new = _whole(shape, against), _whole(shape, version)
    differs = {
        name: [old.get(name), new.get(name)]
        for name in schema.RECORDS[shape.kind].columns.keys()
        if old.get(name) != new.get(name)
    }
    row = {
        "import_id": claim.order[0],
        "line": claim.order[1],
        "stored_id": number,
        "differs": json.dumps(differs, ensure_ascii=False),
        "record": document(shape, group.who, claim.at, new),
        "raw": claim.raw,
        "kept": decision and decision["kept"],
        "decided_at": decision and decision["decided_at"],
        "decided_by": decision and decision["decided_by"],
        "decided_against": decision and decision["decided_against"],
    }
    before = {(one["import_id"], one["line"]): one["id"] for one in group.conflicts}
    known = [before[c.order] for c in version.claims if c.order in before]
    if known:
        work.numbered.append({**row, "id": known[0]})
    else:
        work.conflicts.append(row)


def _decisions(
    shape: Shape, event: Event, group: Group, given: dict[int, tuple[str, ...]]
) -> list[tuple[tuple[int, int], Version, dict[str, Any]]]:
    """What people decided on this event and still rests on something, with when."""
    found = []
    for row in group.conflicts:
        if row["kept"] is None:
            continue
        own = says(shape, json.loads(row["record"]), given[row["import_id"]])
        order = (row["import_id"], row["line"])
        for version in event.versions[1:]:
            if any(claim.order == order or claim.says == own for claim in version.claims):
                if _against(event, version, json.loads(row["decided_against"])) is not None:
                    found.append(((row["decided_at"], row["id"]), version, row))
                break
    return found


def _against(event: Event, version: Version, said: Values) -> Version | None:
    """The version a decision was held against, None when no row gives it any more."""
    for other in event.versions:
        if other is not version and any(agree(said, claim.says) for claim in other.claims):
            return other
    return None


def _whole(shape: Shape, version: Version) -> dict[str, Any]:
    return {**shape.defaults, **version.values}


def decided_against(claim: Claim) -> str:
    """What a decision keeps of the version it was held against."""
    return json.dumps(dict(claim.says), ensure_ascii=False, sort_keys=True)
