"""Group rows by several keys at once, like a pandas groupby but faster on many rows.

Text repeats in a log, so large frames hold it as categories: selecting, comparing and counting
rows then work on integer codes.
"""

from collections.abc import Container, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.arrays import Bools, Datetimes, Ints

SLOTS_PER_ROW = 8
"""Tables up to 8 slots a row are counted; larger ones are sorted."""


def text_to_category(frame: pd.DataFrame, *, skip: Container[object] = ()) -> pd.DataFrame:
    """Convert text columns, except those in ``skip``, to categories in alphabetical order."""
    texts = [
        name
        for name, dtype in frame.dtypes.items()
        if isinstance(dtype, pd.StringDtype) and name not in skip
    ]
    return frame.assign(**{str(name): pd.Categorical(frame[name]) for name in texts})


def category_to_text(frame: pd.DataFrame) -> pd.DataFrame:
    """Convert categorical columns back to text."""
    columns = [
        name for name, dtype in frame.dtypes.items() if isinstance(dtype, pd.CategoricalDtype)
    ]
    return frame.assign(**{str(name): as_text(frame[name]) for name in columns})


def as_text(values: pd.Series) -> pd.Series:
    """Column as text; for categories much faster than ``astype("str")``, which formats each row."""
    if not isinstance(values.dtype, pd.CategoricalDtype):
        return values.astype("str")
    if not len(values.cat.categories):
        return pd.Series(None, index=values.index, dtype="str")
    text = values.cat.categories.astype("str").array
    return pd.Series(text.take(values.cat.codes.to_numpy(), allow_fill=True), index=values.index)


def text_codes(values: pd.Series) -> tuple[Ints, pd.Index]:
    """Number of each row's text among the distinct texts, in alphabetical order, and these.

    The number is -1 where the text is missing. The texts of a categorical column are its
    categories, so that no row needs to be looked at.
    """
    if _are_ordered_categories(values):
        return values.cat.codes.to_numpy().astype(np.int64), values.cat.categories
    code, texts = pd.factorize(values, sort=True)
    return code.astype(np.int64), pd.Index(texts)


def rows_with(values: pd.Series, text: str) -> Bools:
    """Whether each row holds a text, shape (n,); False where it is missing."""
    code, texts = text_codes(values)
    return np.append(np.asarray(texts == text, dtype=bool), False)[code]


def fill_missing_text(values: pd.Series, placeholder: str) -> pd.Series:
    """Replace missing text by a placeholder; categories stay in alphabetical order."""
    if not isinstance(values.dtype, pd.CategoricalDtype):
        return values.fillna(placeholder)
    if not values.hasnans:
        return values
    categories = sorted({*values.cat.categories, placeholder})
    return values.cat.set_categories(categories).fillna(placeholder)


def group_index(*keys: Any) -> tuple[Ints, Ints]:
    """Number the distinct combinations of keys, sorted by the first key, then the second ...

    Parameters
    ----------
    keys : array or Series, all of shape (n,)
        Without missing values.

    Returns
    -------
    group : array of shape (n,)
        Index of each row's group.
    first : array of shape (groups,)
        Position of the first row of each group.
    """
    group, count = np.zeros(len(keys[0]), dtype=np.int64), 1
    for values in keys:
        code, size = _sorted_codes(values)
        group, count = _compress(group * size + code, count * size)
    first = np.empty(count, dtype=np.int64)
    # written in reverse, so that the first row of each group is written last and stays
    first[group[::-1]] = np.arange(len(group))[::-1]
    return group, first


def match_rows(keys: pd.DataFrame, table: pd.DataFrame, on: Sequence[str]) -> Ints:
    """Find the row of a table that has the same keys as each row of a frame.

    Parameters
    ----------
    keys : DataFrame
        Columns `on`, as text, categories, or whole numbers or days.
    table : DataFrame
        The same columns; of several rows with the same keys, the first counts.

    Returns
    -------
    array of shape (rows of keys,)
        Position in `table`; -1 where there is none.
    """
    wanted, known = np.zeros(len(keys), np.int64), np.zeros(len(table), np.int64)
    is_known = np.ones(len(table), dtype=bool)
    for name in on:
        values = keys[name]
        code, distinct = (
            text_codes(values)
            if isinstance(values.dtype, (pd.CategoricalDtype, pd.StringDtype))
            else pd.factorize(values, sort=True)
        )
        code_of_row = _codes_among(table[name], pd.Index(distinct))
        is_known &= code_of_row >= 0
        size = len(distinct) + 1
        wanted, known = wanted * size + code, known * size + code_of_row
    rows = np.flatnonzero(is_known)
    numbers, first = np.unique(known[rows], return_index=True)
    place = np.minimum(np.searchsorted(numbers, wanted), max(len(numbers) - 1, 0))
    if not len(numbers):
        return np.full(len(keys), -1)
    return np.where(numbers[place] == wanted, rows[first][place], -1)


def _codes_among(values: pd.Series, distinct: pd.Index) -> Ints:
    """Position of each value among distinct ones; -1 where it is missing or not among them."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        of_category = distinct.get_indexer(values.cat.categories)
        return np.append(of_category, -1)[values.cat.codes.to_numpy()]
    return np.asarray(distinct.get_indexer(pd.Index(values)), dtype=np.int64)


def group_rows(group: Ints, groups: int) -> list[Ints]:
    """Rows of each of the groups 0, 1, 2 ..., as they come; a row of group -1 is in none."""
    order = np.argsort(group, kind="stable")
    return np.split(order, np.searchsorted(group[order], np.arange(groups + 1)))[1:-1]


def time_order(group: Ints, at: Ints) -> Ints:
    """Rows by group, in each by time, and those of one time as they come.

    Parameters
    ----------
    group, at : array of shape (n,)
        Number of each row's group, not negative, and its time.
    """
    if len(group) and group.max() < np.iinfo(np.uint16).max:
        group = group.astype(np.uint16)  # numpy sorts 16 bits by radix, much faster
    order = np.argsort(group, kind="stable")
    is_back = (np.diff(at[order]) < 0) & (np.diff(group[order]) == 0)
    return np.lexsort((at, group)) if is_back.any() else order


def concat_categories(
    frames: Sequence[pd.DataFrame], *, skip: Container[object] = ()
) -> pd.DataFrame:
    """Concatenate frames as `concat_frames` does, with text as categories in alphabetical order.

    Parameters
    ----------
    frames : sequence of DataFrame
        With the same columns; text may be categories already, of any texts.
    skip : container of str
        Columns whose text stays as it is.
    """
    filled = [frame for frame in frames if len(frame)] or list(frames[:1])
    texts = [
        str(name)
        for name, dtype in filled[0].dtypes.items()
        if isinstance(dtype, (pd.StringDtype, pd.CategoricalDtype)) and name not in skip
    ]
    if len(filled) == 1 and all(_are_ordered_categories(filled[0][name]) for name in texts):
        return filled[0].reset_index(drop=True)
    columns: list[dict[str, pd.Categorical]] = [{} for _ in filled]
    for name in texts:
        coded = [text_codes(frame[name]) for frame in filled]
        distinct = coded[0][1]
        if not all(known.equals(distinct) for _, known in coded[1:]):
            distinct = pd.Index(sorted({text for _, known in coded for text in known}), dtype="str")
        dtype = pd.CategoricalDtype(distinct.astype("str"))
        for column, (code, known) in zip(columns, coded, strict=True):
            place = np.append(distinct.get_indexer(known), -1)
            column[name] = pd.Categorical.from_codes(place[code], dtype=dtype)
    parts = [frame.assign(**column) for frame, column in zip(filled, columns, strict=True)]
    return pd.concat(parts, ignore_index=True)


def _are_ordered_categories(values: pd.Series) -> bool:
    return bool(
        isinstance(values.dtype, pd.CategoricalDtype)
        and values.cat.categories.is_monotonic_increasing
    )


def sort_rows(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Rows by some columns, missing values last, equal ones as they come; a new index.

    Much faster than ``sort_values`` where long parts of the frame are in this order already.

    Parameters
    ----------
    columns : sequence of str
        Of text, categories, numbers or times.
    """
    key, size = np.zeros(len(frame), dtype=np.int64), 1
    for name in columns:
        ranked = _ranks(frame[name])
        if ranked is not None and size * ranked[1] > np.iinfo(np.int64).max:
            distinct, key = np.unique(key, return_inverse=True)
            size = len(distinct)
        if ranked is None or size * ranked[1] > np.iinfo(np.int64).max:
            return frame.sort_values(list(columns), kind="stable", ignore_index=True)
        key, size = key * ranked[1] + ranked[0], size * ranked[1]
    if (np.diff(key) >= 0).all():
        return frame.reset_index(drop=True)
    return frame.take(np.argsort(key, kind="stable")).reset_index(drop=True)


def _ranks(values: pd.Series) -> tuple[Ints, int] | None:
    """Whole number from 0 on that sorts as each value does, and one above the highest.

    None for values of other types.
    """
    if isinstance(values.dtype, (pd.CategoricalDtype, pd.StringDtype)):
        code, texts = text_codes(values)
        return np.where(code < 0, len(texts), code), len(texts) + 1
    if isinstance(values.dtype, pd.DatetimeTZDtype) or values.dtype.kind == "M":
        number = pd.DatetimeIndex(values).asi8
        is_missing = number == pd.NaT.value
    elif values.dtype == np.int64:
        number, is_missing = values.to_numpy(), np.zeros(len(values), dtype=bool)
    elif values.dtype == np.float64:
        number = values.to_numpy()
        is_missing = np.isnan(number)
        _, rank = np.unique(number[~is_missing], return_inverse=True)
        number = np.zeros(len(number), dtype=np.int64)
        number[~is_missing] = rank
    else:
        return None
    if is_missing.all():
        return np.zeros(len(number), dtype=np.int64), 1
    low = int(number.min(initial=np.iinfo(np.int64).max, where=~is_missing))
    number = np.where(is_missing, 0, number - low) if is_missing.any() else number - low
    step = max(int(np.gcd.reduce(number)), 1)  # times are logged to the second
    number //= step
    size = int(number.max()) + 1
    return np.where(is_missing, size, number), size + 1


def _sorted_codes(values: Any) -> tuple[Ints, int]:
    """Integer code of each value, ordered like the values, and the number of possible codes."""
    array = values.array if isinstance(values, pd.Series) else values
    if isinstance(array, pd.Categorical):
        if array.categories.is_monotonic_increasing:
            return array.codes.astype(np.int64), max(len(array.categories), 1)
    elif len(array) and array.dtype.kind in "iuM":
        numbers = np.asarray(array)
        whole = _as_days(numbers) if numbers.dtype.kind == "M" else numbers.astype(np.int64)
        if whole is not None and np.ptp(whole) <= SLOTS_PER_ROW * len(whole):
            low, high = int(whole.min()), int(whole.max())
            return whole - low, high - low + 1
    code, names = pd.factorize(values, sort=True)
    return code.astype(np.int64), max(len(names), 1)


def _as_days(times: Datetimes) -> Ints | None:
    """Days since 1970 if all times are midnights, else None."""
    day = times.astype("datetime64[D]")
    return day.astype(np.int64) if (day == times).all() else None


def _compress(codes: Ints, size: int) -> tuple[Ints, int]:
    """Renumber codes below ``size`` as 0, 1, 2 ... without gaps; also count the distinct ones."""
    steps = np.diff(codes)
    if (steps >= 0).all():
        rank = np.concatenate([[0], np.cumsum(steps > 0)])[: len(codes)]
        return rank, int(rank[-1]) + 1 if len(rank) else 0
    if size > SLOTS_PER_ROW * len(codes) + 1000:
        distinct, code = np.unique(codes, return_inverse=True)
        return code.astype(np.int64), len(distinct)
    present = np.zeros(size, dtype=bool)
    present[codes] = True
    rank = np.cumsum(present) - 1
    return rank[codes], int(rank[-1]) + 1 if size else 0


def count_distinct(group: Ints, values: Any) -> Ints:
    """Number of distinct values in each group, of shape (groups,)."""
    _, first = group_index(group, values)
    return np.bincount(group[first]).astype(np.int64)


def group_span(group: Ints, first: pd.Series, last: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Earliest ``first`` and latest ``last`` instant (UTC) of each group, of shape (groups,)."""
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))

    def extreme(choose: np.ufunc, times: pd.Series) -> pd.Series:
        instant = times.to_numpy(dtype="datetime64[us]").astype(np.int64)[order]
        found = choose.reduceat(instant, starts).astype("datetime64[us]")
        return pd.Series(found).dt.tz_localize("UTC")

    return extreme(np.minimum, first), extreme(np.maximum, last)


def concat_frames(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Concatenate frames; if all are empty, return the first one's columns without rows."""
    filled = [frame for frame in frames if len(frame)]
    if not filled:
        return frames[0].copy() if frames else pd.DataFrame()
    return pd.concat(filled, ignore_index=True)


def in_turn(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Rows of equally long tables in turn: the first of each, then the second of each."""
    order = np.arange(sum(map(len, tables))).reshape(len(tables), -1).T.ravel()
    return pd.concat(tables, ignore_index=True).iloc[order].reset_index(drop=True)


def group_sums(
    group: Ints, values: Mapping[str, Any] | pd.DataFrame, *, counts: tuple[str, ...] = ()
) -> pd.DataFrame:
    """Sum values by group, one row a group; the columns named in ``counts`` become integers."""
    size = int(group.max()) + 1 if len(group) else 0
    table = {}
    for name, value in values.items():
        weights = np.broadcast_to(np.asarray(value, dtype=np.float64), group.shape)
        total = np.bincount(group, weights, minlength=size)
        table[name] = total.astype(np.int64) if name in counts else total
    return pd.DataFrame(table)


def sums_by_keys(keys: Mapping[str, pd.Series], values: Mapping[str, Any]) -> pd.DataFrame:
    """Sum values by several keys: one row for each combination, texts as plain text.

    Parameters
    ----------
    keys : mapping of str to Series
        In the order by which the rows are sorted.
    values : mapping of str to array, or one number for every row
    """
    code, first = group_index(*keys.values())
    cells = pd.DataFrame({name: column.array[first] for name, column in keys.items()})
    return pd.concat([category_to_text(cells), group_sums(code, values)], axis=1)
