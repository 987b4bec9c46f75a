"""Writes result tables by difference: days whose rows are as they were stay untouched."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from sqlalchemy import Connection, Table, delete, select

from arcdrift.arrays import Ints
from arcdrift.store import schema
from arcdrift.store.database.dialect import RowInserter
from arcdrift.store.database.frames import plain_text, to_arrow

_DAY = "day"
WHOLE = ""
"""Part of a table without days: all of it."""
_AT_ONCE = 500
"""Most days named in one statement."""
_ODD = np.uint64(0x9E3779B97F4A7C15)
_MIXERS = ((30, np.uint64(0xBF58476D1CE4E5B9)), (27, np.uint64(0x94D049BB133111EB)))
Hashes = npt.NDArray[np.uint64]


def stored_parts(connection: Connection) -> dict[str, dict[str, str]]:
    """Digest of each part that is stored, by table and part."""
    known: dict[str, dict[str, str]] = {}
    for table_name, part, digest in connection.execute(select(schema.result_parts)).all():
        known.setdefault(table_name, {})[part] = digest
    return known


def replace_table(
    connection: Connection,
    table: Table,
    frame: pd.DataFrame | None,
    before: Mapping[str, str],
    add_rows: RowInserter,
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
    add_rows : callable
        From `arcdrift.store.database.insert_rows.inserting_together`.

    Returns
    -------
    int
        Number of rows written.
    """
    rows = None if frame is None or frame.empty else to_arrow(frame, table, dictionaries=True)
    number, names, digests = (np.zeros(0, np.int64), [], []) if rows is None else _parts(rows)
    known = dict(zip(names, digests, strict=True))
    outdated = [part for part, digest in before.items() if known.get(part) != digest]
    _delete_parts(connection, table, outdated, all_of_it=len(outdated) == len(before))
    is_changed = np.array([before.get(part) != known[part] for part in names], dtype=bool)
    if rows is None or not is_changed.any():
        return 0
    written = rows if is_changed.all() else rows.take(pa.array(np.flatnonzero(is_changed[number])))
    add_rows(table, _plain(_by_key(written, table)))
    added = [name for name, changed in zip(names, is_changed, strict=True) if changed]
    digests = [known[name] for name in added]
    noted = {"table_name": [table.name] * len(added), "part": added, "digest": digests}
    add_rows(schema.result_parts, pa.table(noted))
    return len(written)


def _delete_parts(
    connection: Connection, table: Table, parts: list[str], *, all_of_it: bool
) -> None:
    """Delete the rows of some parts, and what is noted of them."""
    noted = schema.result_parts
    if all_of_it:  # also rows that nobody noted
        connection.execute(delete(table))
        if parts:
            connection.execute(delete(noted).where(noted.columns.table_name == table.name))
        return
    for first in range(0, len(parts), _AT_ONCE):
        some = parts[first : first + _AT_ONCE]
        connection.execute(delete(table).where(table.columns[_DAY].in_(some)))
        gone = (noted.columns.table_name == table.name, noted.columns.part.in_(some))
        connection.execute(delete(noted).where(*gone))


def _by_key(rows: pa.Table, table: Table) -> pa.Table:
    """Rows in the order of the table's key, in which a database adds them fastest."""
    key, size = np.zeros(len(rows), dtype=np.int64), 1
    for name in table.primary_key.columns.keys():
        if name not in rows.column_names:  # which the database numbers
            return rows
        rank = _ranks(rows[name])
        if size * (int(rank.max()) + 1) > np.iinfo(np.int64).max:
            distinct, key = np.unique(key, return_inverse=True)
            size = len(distinct)
        key, size = key * (int(rank.max()) + 1) + rank, size * (int(rank.max()) + 1)
    if (np.diff(key) >= 0).all():
        return rows
    return rows.take(pa.array(np.argsort(key, kind="stable")))


def _ranks(column: pa.ChunkedArray) -> Ints:
    """Number from 0 on that sorts as each value of a key does, which is never missing."""
    if not (pa.types.is_string(column.type) or pa.types.is_dictionary(column.type)):
        numbers = column.cast(pa.int64()).to_numpy()
        return np.asarray(numbers - numbers.min())
    encoded = _encoded(column)
    texts = encoded.dictionary.to_pylist()
    rank = np.empty(len(texts), dtype=np.int64)
    rank[sorted(range(len(texts)), key=texts.__getitem__)] = np.arange(len(texts))
    return np.asarray(rank[encoded.indices.to_numpy(zero_copy_only=False)])


def _plain(rows: pa.Table) -> pa.Table:
    """Rows with dictionaries of text as plain text."""
    return pa.table([plain_text(column) for column in rows.columns], names=rows.column_names)


def _parts(rows: pa.Table) -> tuple[Ints, list[str], list[str]]:
    """Number of each row's part, the parts' names, and a digest of the rows of each.

    A part is a day; all rows where there are no days. The digest does not depend on the order of
    the rows, each of which has its own key.
    """
    if _DAY in rows.column_names:
        days = _encoded(rows[_DAY])
        number, names = days.indices.to_numpy(zero_copy_only=False), days.dictionary.to_pylist()
    else:
        number, names = np.zeros(len(rows), np.int64), [WHOLE]
    hashes = _row_hashes(rows)
    order = np.argsort(number.astype(np.uint16) if len(names) < 2**16 else number, kind="stable")
    present, start = np.unique(number[order], return_index=True)
    sums = np.add.reduceat(hashes[order], start)
    sizes = np.diff(start, append=len(order))
    position = np.zeros(len(names), dtype=np.int64)
    position[present] = np.arange(len(present))
    digests = [f"{total:016x}-{size}" for total, size in zip(sums, sizes, strict=True)]
    return position[number], [str(names[i]) for i in present], digests


def _row_hashes(rows: pa.Table) -> Hashes:
    """64 bits of each row, alike for equal rows only but for a chance of one in 2^64."""
    hashes = np.full(len(rows), len(rows.column_names), dtype=np.uint64)
    for column in rows.columns:
        hashes *= _ODD
        hashes += _column_bits(column)
        for shift, factor in _MIXERS:
            hashes ^= hashes >> np.uint64(shift)
            hashes *= factor
        hashes ^= hashes >> np.uint64(31)
    return hashes


def _column_bits(column: pa.ChunkedArray) -> Hashes:
    """64 bits of each value."""
    kind = column.type
    if pa.types.is_string(kind) or pa.types.is_dictionary(kind):
        encoded = _encoded(column)
        texts = np.array(encoded.dictionary.to_pylist(), dtype=object)
        bits: Any = pd.util.hash_array(texts, categorize=False)
        codes = encoded.indices.fill_null(len(texts)).to_numpy(zero_copy_only=False)
        return np.asarray(np.append(bits, _ODD)[codes])
    is_null = column.is_null().to_numpy(zero_copy_only=False) if column.null_count else None
    number = column if pa.types.is_floating(kind) else column.cast(pa.int64())
    filled = number.fill_null(0).to_numpy().view(np.uint64)
    return filled if is_null is None else np.where(is_null, _ODD, filled)


def _encoded(column: pa.ChunkedArray) -> pa.DictionaryArray:
    """Text as numbers and a dictionary."""
    array = column.combine_chunks()
    array = array.chunk(0) if isinstance(array, pa.ChunkedArray) else array
    return array if pa.types.is_dictionary(array.type) else array.dictionary_encode()
