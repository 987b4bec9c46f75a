"""Conversion between frames and rows as the store keeps them."""

from collections.abc import Container
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from sqlalchemy import BigInteger, Boolean, Float, Integer, Table

INSTANT_COLUMNS = frozenset(
    {
        "checked_at",
        "spliced_at",
        "read_at",
        "serviced_at",
        "first_splice_at",
        "since",
        "until",
        "assessed_on",
        "now",
        "started_at",
        "starts_at",
        "ends_at",
        "recorded_at",
        "undone_at",
        "closed_at",
        "decided_at",
    }
)
"""Columns stored as microseconds since 1970 UTC; in frames they are ``datetime64[us, UTC]``."""


def arrow_type(column: Any) -> pa.DataType:
    """Arrow type of a store column as it comes back from the database."""
    if isinstance(column.type, Float):
        return pa.float64()
    if isinstance(column.type, Boolean):
        return pa.bool_()
    if isinstance(column.type, (Integer, BigInteger)):
        return pa.int64()
    return pa.string()


def to_frame(table: pa.Table, categorical: Container[str] = ()) -> pd.DataFrame:
    """Turn stored columns into a frame.

    Instants become ``datetime64[us, UTC]``, missing numbers NaN and missing text NA; columns
    of text named in `categorical`, which may be dictionaries, become categories in alphabetical
    order.
    """
    categories = [
        field.name
        for field in table.schema
        if field.name in categorical
        and (pa.types.is_string(field.type) or pa.types.is_dictionary(field.type))
    ]
    plain = {
        name: column.cast(pa.timestamp("us", "UTC")) if name in INSTANT_COLUMNS else column
        for name, column in zip(table.column_names, table.columns, strict=True)
        if name not in categories
    }
    frame: pd.DataFrame = pa.table(plain).to_pandas(date_as_object=False)
    frame = frame.assign(**{name: _categories(table[name]) for name in categories})
    return frame[list(table.column_names)]


def _categories(column: pa.ChunkedArray) -> pd.Categorical:
    """A column of text as categories in alphabetical order."""
    encoded = column.combine_chunks()
    if not pa.types.is_dictionary(encoded.type):
        encoded = encoded.dictionary_encode()
    texts = encoded.dictionary.to_pylist()
    order = sorted(range(len(texts)), key=texts.__getitem__)
    rank = np.full(len(texts) + 1, -1)  # the last one is for missing text, whose code is -1
    rank[order] = np.arange(len(texts))
    codes = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return pd.Categorical.from_codes(rank[codes], pd.Index([texts[i] for i in order], dtype="str"))


def to_arrow(frame: pd.DataFrame, table: Table, *, dictionaries: bool = False) -> pa.Table:
    """Turn a frame into columns of the store's types.

    Parameters
    ----------
    frame : DataFrame
        Columns named as in `table`; columns left out stay NULL.
    dictionaries : bool
        Whether categories become dictionaries of text instead of plain text.

    Raises
    ------
    ValueError
        When the frame has a column that the table does not have.
    """
    names = [str(name) for name in frame.columns]
    unknown = [name for name in names if name not in table.columns]
    if unknown:
        raise ValueError(f"table {table.name} has no column {', '.join(unknown)}")
    arrays = {name: _to_arrow_array(frame[name], table.columns[name]) for name in names}
    if not dictionaries:
        arrays = {name: plain_text(array) for name, array in arrays.items()}
    return pa.table(arrays)


def plain_text(values: Any) -> Any:
    """An Arrow array without a dictionary."""
    return values.cast(values.type.value_type) if pa.types.is_dictionary(values.type) else values


def _to_arrow_array(values: pd.Series, column: Any) -> pa.Array:
    kind = arrow_type(column)
    if isinstance(values.dtype, pd.CategoricalDtype) and pa.types.is_string(kind):
        texts = pa.array(values.cat.categories, type=kind)
        return pa.DictionaryArray.from_arrays(pa.array(values.cat.codes, mask=values.isna()), texts)
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        return pa.array(values.dt.tz_convert("UTC").dt.as_unit("us")).cast(pa.int64())
    if pa.types.is_floating(kind):
        return pa.array(values.to_numpy(np.float64, na_value=np.nan), from_pandas=True)
    return pa.array(values, type=kind, from_pandas=True)
