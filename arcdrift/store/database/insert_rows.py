"""Inserts the rows of a frame into a table, many of them in bulk."""

from contextlib import AbstractContextManager

import pandas as pd
import pyarrow as pa
from sqlalchemy import Connection, Table

from arcdrift.store.database.dialect import Progress, RowInserter
from arcdrift.store.database.dialects import dialect_of
from arcdrift.store.database.frames import to_arrow


def add_rows(
    connection: Connection,
    table: Table,
    frame: pd.DataFrame,
    *,
    progress: Progress | None = None,
) -> None:
    """Add the rows of a frame to a table, inside the connection's transaction.

    Parameters
    ----------
    connection : Connection
        From `arcdrift.store.database.connect.writing`.
    frame : DataFrame
        Columns named as in `table`; aware times become microseconds UTC, columns left out
        stay NULL.
    progress : callable, optional
        Called with the rows written so far.
    """
    if frame.empty:
        return
    insert_arrow_rows(connection, table, to_arrow(frame, table), progress)


def insert_arrow_rows(
    connection: Connection,
    table: Table,
    rows: pa.Table,
    progress: Progress | None = None,
) -> None:
    """Add rows to a table, inside the connection's transaction.

    Parameters
    ----------
    rows : Table
        Columns of the store's types (`arcdrift.store.database.frames.to_arrow`).
    progress : callable, optional
        Called with the rows written so far.
    """
    dialect_of(connection).insert_rows(connection, table, rows, progress)


def inserting_together(connection: Connection) -> AbstractContextManager[RowInserter]:
    """Add rows to several tables; all are there when the block has ended."""
    return dialect_of(connection).inserting_together(connection)
