"""Compares two stores that took in the same files: one in a storm, one file after the other."""

import json
import math
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Engine, Table, select

from arcdrift.store import schema
from arcdrift.store.database.connect import reading

APART = {
    "id", "record", "started_at", "seconds", "judged_at", "assessed_on", "recorded_at",
    "decided_at", "records_version", "splice_id", "record_id", "first_seen",
    "case_id", "absorbed",
}  # fmt: skip
"""Columns that say when something was done, or number rows, of which a server skips some.

A case keeps the id that it got from the analysis that first found it, and in a storm that is one
that knew fewer files.
"""
LEFT_OUT = {
    "users", "ended_sign_ins", "case_statements", "revisited_splices", "cases",
    "imports_in_progress", "watched", "changed_days", "digest_messages",
}  # fmt: skip
"""Tables of what people said or of work in progress."""
TOLERANCE = 1e-7


def file_order(engine: Engine) -> list[str]:
    """Return names of the files that were imported, in order."""
    table = schema.imports.columns
    with reading(engine) as connection:
        return list(connection.execute(select(table.file_name).order_by(table.id)).scalars())


def unaccounted_rows(engine: Engine) -> list[str]:
    """Return the files of whose rows one is lost or doubled."""
    table = schema.imports.columns
    counts = (table.accepted, table.already_stored, table.conflicting, table.quarantined)
    with reading(engine) as connection:
        rows = connection.execute(select(table.file_name, table.rows, *counts)).all()
    return [row.file_name for row in rows if row.rows != sum(row[2:])]


def differences(one: Engine, other: Engine) -> Iterator[str]:
    """Yield what differs between the records and the results of two stores."""
    for table in (*schema.metadata.sorted_tables, *schema.RESULTS.values()):
        if table.name in LEFT_OUT or table.name in ("result_parts", "saved_summary"):
            continue
        rows, others = _rows(one, table), _rows(other, table)
        if len(rows) != len(others):
            yield f"{table.name}: {len(rows)} rows, {len(others)} where they came one by one"
            continue
        different = [(a, b) for a, b in zip(rows, others, strict=True) if not _same(a, b)]
        if different:
            here, there = different[0]
            told = {
                name: (value, there.get(name))
                for name, value in here.items()
                if not _same(value, there.get(name), name)
            }
            yield f"{table.name}: {len(different)} of {len(rows)} rows: {told}"


def _rows(engine: Engine, table: Table) -> list[dict[str, Any]]:
    with reading(engine) as connection:
        rank = {
            number: place
            for place, number in enumerate(
                connection.execute(
                    select(schema.imports.c.id).order_by(schema.imports.c.id)
                ).scalars()
            )
        }
        found = [dict(row) for row in connection.execute(select(table)).mappings()]
    rows = []
    for row in found:
        kept = {
            name: rank.get(value, value) if name in ("import_id", "same_as") else _read(value)
            for name, value in row.items()
            if name not in APART
        }
        rows.append(kept)
    return sorted(rows, key=_sort_key)


def _read(value: Any) -> Any:
    if isinstance(value, str) and value[:1] in ("{", "["):
        try:
            return json.loads(value)
        except ValueError:
            return value
    return value


def _sort_key(row: dict[str, Any]) -> str:
    return repr([value for value in row.values() if isinstance(value, str | int)])


def _same(one: Any, other: Any, name: str = "") -> bool:
    if name in APART:
        return True
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(
            _same(value, other[key], str(key)) for key, value in one.items()
        )
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=TOLERANCE, abs_tol=TOLERANCE) or (
            math.isnan(one) and math.isnan(other)
        )
    return bool(one == other)
