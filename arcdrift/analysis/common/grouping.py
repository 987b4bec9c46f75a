"""Rows counted into cells by several keys at once: what a groupby does, cheaper for many rows.

Words repeat themselves in a log, so a frame of many rows carries them as categories: then taking,
comparing and counting rows work on numbers.
"""

from collections.abc import Container, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.arrays import Datetimes, Ints

SPREAD = 8
"""Numbers are counted in a table of up to so many places a row; beyond, they are sorted."""


def coded(frame: pd.DataFrame, *, but: Container[object] = ()) -> pd.DataFrame:
    """Turn columns of text, `but` some, into categories in the order of their words."""
    texts = [
        name for name in frame if name not in but and isinstance(frame[name].dtype, pd.StringDtype)
    ]
    return frame.assign(**{str(name): pd.Categorical(frame[name]) for name in texts})


def plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Turn categories back into text."""
    kept = [name for name in frame if isinstance(frame[name].dtype, pd.CategoricalDtype)]
    return frame.assign(**{str(name): words(frame[name]) for name in kept})


def words(values: pd.Series) -> pd.Series:
    """Text of a column; of categories much faster than pandas' own way, which spells each row."""
    if not isinstance(values.dtype, pd.CategoricalDtype):
        return values.astype("str")
    if not len(values.cat.categories):
        return pd.Series(None, index=values.index, dtype="str")
    text = values.cat.categories.astype("str").array
    return pd.Series(text.take(values.cat.codes.to_numpy(), allow_fill=True), index=values.index)


def named(values: pd.Series, nothing: str) -> pd.Series:
    """Put a word in the place of missing text; categories stay in the order of their words."""
    if not isinstance(values.dtype, pd.CategoricalDtype):
        return values.fillna(nothing)
    if not values.hasnans:
        return values
    known = sorted({*values.cat.categories, nothing})
    return values.cat.set_categories(known).fillna(nothing)


def cells_of(*keys: Any) -> tuple[Ints, Ints]:
    """Number the distinct combinations of keys, in order of the first key, then the second ...

    Parameters
    ----------
    keys : array or Series, all of shape (n,)
        None of their values missing.

    Returns
    -------
    cell : array of shape (n,)
        Number of each row's cell.
    first : array of shape (cells,)
        Position of the first row of each cell.
    """
    cell, count = np.zeros(len(keys[0]), dtype=np.int64), 1
    for values in keys:
        code, size = _code(values)
        cell, count = _dense(cell * size + code, count * size)
    first = np.empty(count, dtype=np.int64)
    first[cell[::-1]] = np.arange(len(cell))[::-1]  # the first row is written last
    return cell, first


def _code(values: Any) -> tuple[Ints, int]:
    """Number of each value in the order of values, and how many numbers there may be."""
    array = values.array if isinstance(values, pd.Series) else values
    if isinstance(array, pd.Categorical):
        if array.categories.is_monotonic_increasing:
            return array.codes.astype(np.int64), max(len(array.categories), 1)
    elif len(array) and array.dtype.kind in "iuM":
        numbers = np.asarray(array)
        whole = _days(numbers) if numbers.dtype.kind == "M" else numbers.astype(np.int64)
        if whole is not None and np.ptp(whole) <= SPREAD * len(whole):
            low, high = int(whole.min()), int(whole.max())
            return whole - low, high - low + 1
    code, names = pd.factorize(values, sort=True)
    return code.astype(np.int64), max(len(names), 1)


def _days(at: Datetimes) -> Ints | None:
    """Days since 1970 of midnights; None where not all are midnights."""
    day = at.astype("datetime64[D]")
    return day.astype(np.int64) if (day == at).all() else None


def _dense(joint: Ints, size: int) -> tuple[Ints, int]:
    """Number what occurs among numbers below `size` without gaps, and tell how much occurs."""
    if size > SPREAD * len(joint) + 1000:
        names, code = np.unique(joint, return_inverse=True)
        return code.astype(np.int64), len(names)
    seen = np.zeros(size, dtype=np.int64)
    seen[joint] = 1
    place = np.cumsum(seen) - 1
    return place[joint], int(seen.sum())


def stack(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put frames below each other; empty ones give their columns only."""
    filled = [frame for frame in frames if len(frame)]
    if not filled:
        return frames[0].copy() if frames else pd.DataFrame()
    return pd.concat(filled, ignore_index=True)


def summed(cell: Ints, values: Mapping[str, Any], *, counts: tuple[str, ...] = ()) -> pd.DataFrame:
    """Sum values by cell; columns named in `counts` as whole numbers."""
    size = int(cell.max()) + 1 if len(cell) else 0
    table = {}
    for name, value in values.items():
        weights = np.broadcast_to(np.asarray(value, dtype=np.float64), cell.shape)
        total = np.bincount(cell, weights, minlength=size)
        table[name] = total.astype(np.int64) if name in counts else total
    return pd.DataFrame(table)
