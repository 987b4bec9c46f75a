"""The list of imports: an entry for each, which stays when the import is undone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, insert, select

from arcdrift.store import schema

if TYPE_CHECKING:
    import pandas as pd


def add_import(connection: Connection, values: Mapping[str, Any]) -> int:
    """Add the row of an import and return its id."""
    statement = insert(schema.imports).values(**values).returning(schema.imports.columns.id)
    return int(connection.execute(statement).scalar_one())


def read_imports(engine: Engine) -> pd.DataFrame:
    """Read the list of imports, newest first; ``undone_at`` is NaT unless it was undone."""
    from arcdrift.store.database.fetch import fetch  # loads pandas and Arrow

    return fetch(engine, select(schema.imports), order=["id"]).iloc[::-1].reset_index(drop=True)


def read_imported_files(engine: Engine) -> pd.DataFrame:
    """Read the list of imports without what was written down by hand, as `read_imports` does."""
    from arcdrift.store.database.fetch import fetch

    by_hand = select(schema.written.columns.import_id)
    query = select(schema.imports).where(schema.imports.columns.id.not_in(by_hand))
    return fetch(engine, query, order=["id"]).iloc[::-1].reset_index(drop=True)
