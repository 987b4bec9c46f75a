"""Rebuilds stored records and conflicts from all rows that report them.

Needed where rows of several imports may report the same event, and when an import is undone.
"""

import json
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from sqlalchemy import Connection, bindparam, delete, insert, update

from arcdrift.store import schema
from arcdrift.store.database.fetch import fetch_within
from arcdrift.store.events.event_candidates import (
    EventCandidates,
    Key,
    SourceFile,
    load_candidates,
    row_json,
    row_values,
    source_files,
)
from arcdrift.store.events.record_matching import (
    Event,
    RecordIdentity,
    Values,
    Version,
    agree,
)
from arcdrift.store.events.written_joins import match_with_written

Files = dict[int, SourceFile]
Decision = dict[str, Any]
"""Row of the table ``conflicts`` that a person decided."""


def rebuild_records(
    connection: Connection,
    identity: RecordIdentity,
    keys: Collection[Key],
    *,
    without: int | None = None,
) -> None:
    """Rebuild the records of some candidates.

    Parameters
    ----------
    keys : collection of tuple
        Keys of the candidates, from `arcdrift.store.events.event_candidates.candidate_keys`.
    without : int, optional
        An import whose rows are left out.
    """
    if not keys:
        return
    reader = partial(fetch_within, connection, order=["id"])
    files = source_files(reader, identity)
    changes = _Changes(connection, identity)
    for candidates in load_candidates(reader, identity, keys).values():
        rows = [row for row in candidates.rows if row.origin[0] != without]
        _rebuild(changes, candidates, match_with_written(rows, identity), files)
    changes.write()


@dataclass
class _Changes:
    """Changes gathered over many candidates, written together."""

    connection: Connection
    identity: RecordIdentity
    deleted: dict[str, list[int]] = field(default_factory=dict)
    updated: list[dict[str, Any]] = field(default_factory=list)
    source_rows: list[dict[str, Any]] = field(default_factory=list)
    conflicts: list[dict[str, Any]] = field(default_factory=list)
    conflicts_with_id: list[dict[str, Any]] = field(default_factory=list)

    def add_record(self, row: dict[str, Any]) -> int:
        table = schema.RECORDS[self.identity.kind]
        statement = insert(table).values(**row).returning(table.columns.id)
        return int(self.connection.execute(statement).scalar_one())

    def delete(self, table: str, ids: Iterable[int]) -> None:
        self.deleted.setdefault(table, []).extend(ids)

    def write(self) -> None:
        for name, ids in self.deleted.items():
            table = schema.metadata.tables[name]
            statement = delete(table).where(table.columns.id == bindparam("deleted_id"))
            if ids:
                self.connection.execute(statement, [{"deleted_id": row_id} for row_id in ids])
        if self.updated:
            table = schema.RECORDS[self.identity.kind]
            names = [name for name in self.updated[0] if name != "updated_id"]
            change = update(table).where(table.columns.id == bindparam("updated_id"))
            values: dict[str, Any] = {name: bindparam(name) for name in names}
            self.connection.execute(change.values(values), self.updated)
        for table, rows in (
            (schema.source_rows, self.source_rows),
            (schema.conflicts, self.conflicts_with_id),
            (schema.conflicts, self.conflicts),
        ):
            if rows:
                self.connection.execute(insert(table), rows)


def _rebuild(
    changes: _Changes, candidates: EventCandidates, events: list[Event], files: Files
) -> None:
    """Gather the changes that turn the records of some candidates into these events."""
    unused = dict(candidates.records)
    record_of_event = {}
    for event in events:  # an event keeps the id of its record, whichever row came first
        ids = [row.record_id for row in event.rows if row.record_id in unused]
        if ids:
            record_of_event[id(event)] = unused.pop(ids[0])
    changes.delete("source_rows", candidates.source_row_ids)
    changes.delete("conflicts", [conflict["id"] for conflict in candidates.conflicts])
    for event in events:
        record = record_of_event.get(id(event))
        if record is None and unused:
            record = unused.pop(next(iter(unused)))
        _rebuild_event(changes, candidates, event, record, files)
    changes.delete(schema.RECORDS[changes.identity.kind].name, unused)


def _rebuild_event(
    changes: _Changes,
    candidates: EventCandidates,
    event: Event,
    old_record: dict[str, Any] | None,
    files: Files,
) -> None:
    identity = changes.identity
    first = event.rows[0]
    decisions = _decisions(identity, event, candidates, files)
    stored_version = event.versions[0]
    for _, version, decision in sorted(decisions, key=lambda decided: decided[0]):
        if decision["kept"] == "new":
            stored_version = version
    record: dict[str, Any] = {
        **{name: None for name in schema.RECORDS[identity.kind].columns.keys() if name != "id"},
        **_with_defaults(identity, stored_version),
        **candidates.subject,
        "import_id": first.origin[0],
        "line": first.origin[1],
        identity.time: event.time_us,
    }
    if old_record is None:
        record_id = changes.add_record(record)
    else:
        record_id = old_record["id"]
        if any(old_record[name] != value for name, value in record.items()):
            changes.updated.append({**record, "updated_id": record_id})
    decision_of_version = {id(version): decision for _, version, decision in decisions}
    shown_elsewhere: set[int] = set()  # rows that the record or a conflict holds
    same_values = first.values == row_values(identity, record, files[first.origin[0]].columns)
    if first.time_us == event.time_us and same_values:
        shown_elsewhere.add(id(first))
    for version in event.versions[1:]:
        shown_elsewhere.add(id(version.rows[0]))
        made = decision_of_version.get(id(version))
        _add_conflict(changes, candidates, event, version, record_id, made, stored_version)
    changes.source_rows.extend(
        {
            "import_id": row.origin[0],
            "line": row.origin[1],
            "kind": identity.kind,
            "record_id": record_id,
            "record": row_json(identity, candidates.subject, row.time_us, row.values),
            "raw": row.raw,
        }
        for row in event.rows
        if id(row) not in shown_elsewhere
    )


def _add_conflict(
    changes: _Changes,
    candidates: EventCandidates,
    event: Event,
    version: Version,
    record_id: int,
    decision: Decision | None,
    stored_version: Version,
) -> None:
    """Add the conflict of a version with the stored one, or with the one it was decided against."""
    identity, row = changes.identity, version.rows[0]
    against = stored_version
    if decision is not None:
        against = _decided_against(event, version, decision) or stored_version
    old, new = _with_defaults(identity, against), _with_defaults(identity, version)
    differs = {
        name: [old.get(name), new.get(name)]
        for name in schema.RECORDS[identity.kind].columns.keys()
        if old.get(name) != new.get(name)
    }
    conflict = {
        "import_id": row.origin[0],
        "line": row.origin[1],
        "stored_id": record_id,
        "differs": json.dumps(differs, ensure_ascii=False),
        "record": row_json(identity, candidates.subject, row.time_us, new),
        "raw": row.raw,
        "kept": decision and decision["kept"],
        "decided_at": decision and decision["decided_at"],
        "decided_by": decision and decision["decided_by"],
        "decided_against": decision and decision["decided_against"],
    }
    old_ids = {(known["import_id"], known["line"]): known["id"] for known in candidates.conflicts}
    ids = [old_ids[row.origin] for row in version.rows if row.origin in old_ids]
    if ids:
        changes.conflicts_with_id.append({**conflict, "id": ids[0]})
    else:
        changes.conflicts.append(conflict)


def _decisions(
    identity: RecordIdentity, event: Event, candidates: EventCandidates, files: Files
) -> list[tuple[tuple[int, int], Version, Decision]]:
    """Decisions on an event that are still valid: time and id, chosen version, and decision.

    A decision is valid while rows report both versions that it was about.
    """
    found = []
    for conflict in candidates.conflicts:
        if conflict["kept"] is None:
            continue
        columns = files[conflict["import_id"]].columns
        values = row_values(identity, json.loads(conflict["record"]), columns)
        origin = (conflict["import_id"], conflict["line"])
        for version in event.versions[1:]:
            if any(row.origin == origin or row.values == values for row in version.rows):
                if _decided_against(event, version, conflict) is not None:
                    order = (conflict["decided_at"], conflict["id"])
                    found.append((order, version, conflict))
                break
    return found


def _decided_against(event: Event, version: Version, decision: Decision) -> Version | None:
    """The other version of a decision, None when no row reports it any more."""
    values: Values = json.loads(decision["decided_against"])
    for other in event.versions:
        if other is not version and any(agree(values, row.values) for row in other.rows):
            return other
    return None


def _with_defaults(identity: RecordIdentity, version: Version) -> dict[str, Any]:
    return {**identity.defaults, **version.values}
