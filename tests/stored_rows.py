"""Puts rows into a store as an import does, without a file."""

from typing import Any

import pandas as pd
from sqlalchemy import Engine

from arcdrift.store import schema
from arcdrift.store.database.connect import writing
from arcdrift.store.database.insert_rows import add_rows
from arcdrift.store.imports.import_list import add_import


def import_values(**changes: Any) -> dict[str, Any]:
    """Values of an import that accepted nothing, long ago."""
    values = {
        "file_name": "log.csv",
        "sha256": "0" * 64,
        "size_bytes": 1,
        "kind": "splices",
        "started_at": 0,
        "seconds": 0.1,
        "lines": 1,
        "other_lines": 1,
        "rows": 0,
        "accepted": 0,
        "already_stored": 0,
        "conflicting": 0,
        "quarantined": 0,
    }
    return values | changes


def store_rows(engine: Engine, kind: str, rows: pd.DataFrame, **changes: Any) -> int:
    """Store rows as one import, whose id is returned; `changes` are values of the import."""
    about = import_values(file_name=kind, kind=kind, accepted=len(rows), **changes)
    with writing(engine) as connection:
        number = add_import(connection, about)
        stored = rows.drop(columns="id", errors="ignore").assign(import_id=number)
        add_rows(connection, schema.RECORDS[kind], stored)
    return number
