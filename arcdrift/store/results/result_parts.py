"""Writes result tables by difference: months whose rows are as they were stay untouched."""

from collections.abc import Mapping
from hashlib import sha256

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from sqlalchemy import Connection, Table, delete, insert, select

from arcdrift.store import schema
from arcdrift.store.database.frames import to_arrow
from arcdrift.store.database.insert_rows import insert_arrow_rows

_MONTH = len("2026-11")
_DAY = "day"
WHOLE = ""
"""Part of a table without days: all of it."""


def stored_parts(connection: Connection) -> dict[str, dict[str, str]]:
    """Digest of each part that is stored, by table and part."""
    known: dict[str, dict[str, str]] = {}
    for row in connection.execute(select(schema.result_parts)):
        known.setdefault(row.table_name, {})[row.part] = row.sha256
    return known


def replace_table(
    connection: Connection,
    table: Table,
    frame: pd.DataFrame | None,
    before: Mapping[str, str],
) -> int:
    """Make a result table hold the rows of a frame.

    Parameters
    ----------
    connection : Connection
        From `arcdrift.store.database.connect.writing`.
    frame : DataFrame or None
        Columns named as in `table`; None empties it.
    before : mapping of str to str
        What is stored of it (`stored_parts`).

    Returns
    -------
    int
        Number of rows written.
    """
    parts = {} if frame is None or frame.empty else _parts(to_arrow(frame, table))
    digests = {part: _digest(rows) for part, rows in parts.items()}
    known = schema.result_parts.columns
    if not before:
        connection.execute(delete(table))
    outdated = [part for part, digest in before.items() if digests.get(part) != digest]
    for part in outdated:
        rows = delete(table)
        if part != WHOLE:
            rows = rows.where(table.columns[_DAY].startswith(part))
        connection.execute(rows)
    if outdated:
        gone = (known.table_name == table.name, known.part.in_(outdated))
        connection.execute(delete(schema.result_parts).where(*gone))
    changed = [part for part, digest in digests.items() if before.get(part) != digest]
    if not changed:
        return 0
    written = pa.concat_tables([parts[part] for part in changed])
    insert_arrow_rows(connection, table, written)
    connection.execute(
        insert(schema.result_parts),
        [{"table_name": table.name, "part": part, "sha256": digests[part]} for part in changed],
    )
    return len(written)


def _parts(rows: pa.Table) -> dict[str, pa.Table]:
    """Rows of each month, in their order; all of them where there are no days."""
    if _DAY not in rows.column_names:
        return {WHOLE: rows}
    days = rows[_DAY].combine_chunks().dictionary_encode()
    months = pc.utf8_slice_codeunits(days.dictionary, 0, _MONTH).dictionary_encode()
    month = months.indices.to_numpy()[days.indices.to_numpy()]
    return {
        str(name): rows.take(pa.array(np.flatnonzero(month == number)))
        for number, name in enumerate(months.dictionary.to_pylist())
    }


def _digest(rows: pa.Table) -> str:
    sink = pa.BufferOutputStream()
    # one chunk, so that equal rows are equal bytes
    with pa.ipc.new_stream(sink, rows.schema) as writer:
        writer.write_table(rows.combine_chunks())
    return sha256(sink.getvalue()).hexdigest()
