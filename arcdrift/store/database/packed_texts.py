"""Reads the columns of text whose values repeat as one text a row.

A driver of Arrow spends most of its time on single values. The texts of a row are therefore joined
by the database, and the few distinct joined texts are divided again here: splices are read a
quarter faster.
"""

from collections.abc import Container
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from sqlalchemy import ColumnElement, Select, func, literal

from arcdrift.store.database.frames import arrow_type

_SEPARATOR = "\x1f"
"""Between two texts: the unit separator of ASCII, made for this."""
_MISSING = "\x1e"
"""Stands for missing text; no text of a log consists of this character alone."""
_PACKED = "packed_texts"


@dataclass(frozen=True)
class PackedQuery:
    """A query that returns some of its columns of text as one.

    Attributes
    ----------
    query : Select
        Its last column is the packed one.
    names : list of str
        Columns that it is to return, in order.
    packed : list of str
        Those of them that are packed.
    """

    query: Select[Any]
    names: list[str]
    packed: list[str]

    def unpack(self, table: pa.Table) -> pa.Table | None:
        """Divide what the query has returned into its columns, the packed ones as dictionaries.

        None where a text holds the separator, so that they cannot be told apart.
        """
        joined = table.columns[-1].cast(pa.string()).combine_chunks().dictionary_encode()
        parts = [text.split(_SEPARATOR) for text in joined.dictionary.to_pylist()]
        if any(len(texts) != len(self.packed) for texts in parts):
            return None
        row = joined.indices.to_numpy(zero_copy_only=False)
        plain = [name for name in self.names if name not in self.packed]
        columns = dict(zip(plain, table.columns[:-1], strict=True))
        for place, name in enumerate(self.packed):
            texts = [part[place] for part in parts]
            distinct = sorted({*texts} - {_MISSING})
            code = {text: number for number, text in enumerate(distinct)}
            codes = np.array([code.get(text, -1) for text in texts], dtype=np.int32)[row]
            indices = pa.array(codes, mask=codes < 0)
            columns[name] = pa.DictionaryArray.from_arrays(indices, pa.array(distinct, pa.string()))
        return pa.table({name: columns[name] for name in self.names})


def pack_texts(query: Select[Any], categorical: Container[str]) -> PackedQuery | None:
    """Query that packs the columns of text in `categorical`; None where there are not several."""
    columns = list(query.selected_columns)
    texts = [
        column
        for column in columns
        if column.name in categorical and arrow_type(column) == pa.string()
    ]
    if len(texts) < 2:
        return None
    joined: ColumnElement[Any] = func.coalesce(texts[0], _MISSING)
    for column in texts[1:]:
        joined = joined + literal(_SEPARATOR) + func.coalesce(column, _MISSING)
    packed = [column.name for column in texts]
    plain = [column for column in columns if column.name not in packed]
    return PackedQuery(
        query.with_only_columns(*plain, joined.label(_PACKED)),
        [column.name for column in columns],
        packed,
    )
