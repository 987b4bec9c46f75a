"""Rows that an import set aside for a person: quarantined ones and conflicting ones."""

import pandas as pd
from sqlalchemy import ColumnElement, Engine, Table, select

from arcdrift.store import schema
from arcdrift.store.database.fetch import fetch


def read_quarantined(
    engine: Engine, import_id: int | None = None, *, closed: bool = False
) -> pd.DataFrame:
    """Read quarantined rows with the file they came from, by import and line.

    Rows that were corrected or given up are left out unless `closed` asks for them as well.
    """
    still_open = None if closed else schema.quarantine.columns.closed_at.is_(None)
    return _rows_with_file(engine, schema.quarantine, import_id, still_open)


def read_conflicting(
    engine: Engine, import_id: int | None = None, *, decided: bool = False
) -> pd.DataFrame:
    """Read conflicting rows with the file they came from, by import and line.

    Rows that a person decided on are left out unless `decided` asks for them as well.
    """
    still_open = None if decided else schema.conflicts.columns.kept.is_(None)
    return _rows_with_file(engine, schema.conflicts, import_id, still_open)


def _rows_with_file(
    engine: Engine, table: Table, import_id: int | None, condition: ColumnElement[bool] | None
) -> pd.DataFrame:
    """Rows of a table with the name and kind of the file they came from."""
    imported = schema.imports.columns
    query = select(table, imported.file_name, imported.kind).join_from(
        table, schema.imports, table.columns.import_id == imported.id
    )
    if condition is not None:
        query = query.where(condition)
    if import_id is not None:
        query = query.where(table.columns.import_id == import_id)
    return fetch(engine, query, order=["import_id", "line"])
