"""Convert cells of text to typed values, one column at a time."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.arrays import Bools, Floats

_NUMBER = r"^-?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
_SEPARATED = "^[+-]?[0-9]+([.,'\u2019 \u00a0\u202f][0-9]+)+$"

_MIDNIGHT = r"[ T]+(0?0:00(:00(\.0+)?)?|12:00(:00)? ?[Aa][Mm])$"
"""The time of day that a program adds to a date without one."""
_NO_DAY = r"^(1899-12-3[01]|12/3[01]/1899|3[01][./]12[./]1899)[ T]+"
"""The date that a spreadsheet adds to a time of day without one."""
_ALIKE = {" ": " \u00a0\u2009\u202f", "'": "'\u2019"}
"""Characters that look like a mark between thousands."""


@dataclass(frozen=True)
class Numbers:
    """A column of numbers, and which of its cells are not numbers.

    Attributes
    ----------
    values : array of float
        NaN where missing or unreadable.
    unreadable, separated : array of bool
        Cells that are not numbers, and cells with a separator that may stand for thousands or
        decimals.
    """

    values: Floats
    unreadable: Bools
    separated: Bools


def trimmed(cells: pa.ChunkedArray, missing: Iterable[str] = ()) -> pa.ChunkedArray:
    """Strip blanks; empty cells, and words for no value, become null."""
    cells = pc.utf8_trim_whitespace(cells)
    nothing = pc.is_in(cells, pa.array(["", *missing], pa.string()))
    return pc.if_else(nothing, pa.scalar(None, pa.string()), cells)


def text(cells: pa.ChunkedArray) -> pd.Series:
    """Text in Unicode's composed form (NFC), so that equal names compare equal."""
    if not pc.all(pc.string_is_ascii(cells)).as_py():
        cells = pc.utf8_normalize(cells, "NFC")
    return pd.Series(cells.to_pandas(), dtype="str")


def joined_times(dates: pa.ChunkedArray, clocks: pa.ChunkedArray) -> pa.ChunkedArray:
    """Join dates and times of day; null if either is.

    What a program adds to either where it exports both as a date with a time is left out:
    midnight to a date, the first day of spreadsheets to a time of day.
    """
    return pc.binary_join_element_wise(date_alone(dates), clock_alone(clocks), " ")


def date_alone(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    """Dates without a midnight behind them."""
    return pc.replace_substring_regex(cells, _MIDNIGHT, "")


def clock_alone(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    """Times of day without the first day of spreadsheets before them."""
    return pc.replace_substring_regex(cells, _NO_DAY, "")


def as_cells(values: pd.Series) -> pa.ChunkedArray:
    """Cells of text from a series, as `numbers` takes them."""
    # values that are all missing would come without a type
    return pa.chunked_array([pa.array(values, pa.string())]).cast(pa.string())


def mapped(cells: pa.ChunkedArray, meanings: Mapping[str, str]) -> pa.ChunkedArray:
    """Replace words of a file by ours; upper and lower case are alike. A blank is no value."""
    if not meanings:
        return cells
    file_words = pa.array([word.strip().lower() for word in meanings], pa.string())
    index = pc.index_in(pc.utf8_lower(cells), file_words)
    our_words = pa.chunked_array([pa.array(list(meanings.values()), pa.string())])
    replaced = pc.coalesce(our_words.take(index), cells)
    return pc.if_else(pc.equal(replaced, ""), None, replaced)


def part_of(
    cells: pa.ChunkedArray, separator: str, part: int, parts: int
) -> tuple[pa.ChunkedArray, Bools]:
    """Take one value out of cells that hold several, such as ``0.4/0.7``.

    Parameters
    ----------
    part, parts : int
        Number of the value, counted from 1, and how many values a cell holds.

    Returns
    -------
    values : ChunkedArray of text
        Null if the cell is null or has another number of parts; not trimmed.
    failed : array of bool
        Cells with another number of parts.
    """
    lists = pc.split_pattern(cells, separator)
    good = pc.equal(pc.list_value_length(lists), parts)
    whole = pc.if_else(good, lists, pa.scalar(None, lists.type))
    return pc.list_element(whole, part - 1), _bools(pc.invert(good))


def matched(cells: pa.ChunkedArray, pattern: str) -> tuple[pa.ChunkedArray, Bools]:
    """Take the text of the one group of a regular expression; the whole cell must match.

    Returns
    -------
    values : ChunkedArray of text
        Null if the cell is null or does not match.
    failed : array of bool
        Cells that do not match.
    """
    whole = f"^(?:{pattern})$"
    good = pc.match_substring_regex(cells, whole)
    found = pc.replace_substring_regex(cells, whole, r"\1")
    return pc.if_else(good, found, pa.scalar(None, pa.string())), _bools(pc.invert(good))


def without_percent_signs(cells: pa.ChunkedArray) -> tuple[pa.ChunkedArray, Bools]:
    """Take the percent sign from the end of cells such as ``45 %``; and which cells have one."""
    signed = _bools(pc.ends_with(cells, "%"))
    if not signed.any():
        return cells, signed
    return pc.replace_substring_regex(cells, r"\s*%$", ""), signed


def without_less_than(cells: pa.ChunkedArray) -> tuple[pa.ChunkedArray, Bools]:
    """Take the sign from the start of cells such as ``<0.01``; and which cells have one."""
    signed = _bools(pc.or_(pc.starts_with(cells, "<"), pc.starts_with(cells, "\u2264")))
    if not signed.any():
        return cells, signed
    return pc.replace_substring_regex(cells, r"^[<\x{2264}]=?\s*", ""), signed


def numbers(cells: pa.ChunkedArray, decimal: str = ".", thousands: str | None = None) -> Numbers:
    """Read numbers with a decimal point or another decimal sign.

    Parameters
    ----------
    cells : ChunkedArray of text
        From `trimmed`.
    thousands : str, optional
        Mark between groups of three digits; anywhere else it makes a cell unreadable.
    """
    if thousands is not None:
        cells = _ungrouped(cells, decimal, thousands)
    none = np.zeros(len(cells), bool)
    if decimal == ".":
        try:
            values = _floats(pc.cast(cells, pa.float64()))
        except pa.ArrowInvalid:
            pass
        else:
            # Arrow reads "nan" and "inf", which are not numbers in a log
            if np.isfinite(values).sum() == len(cells) - cells.null_count:
                return Numbers(values, none, none)
    plain = pc.replace_substring_regex(cells, r"^\+", "")
    if decimal == ",":
        dotted = pc.match_substring(plain, ".")
        swapped = pc.replace_substring(plain, ",", ".")
        plain = pc.if_else(dotted, cells, swapped)
        good = pc.and_(pc.match_substring_regex(swapped, _NUMBER), pc.invert(dotted))
    else:
        good = pc.match_substring_regex(plain, _NUMBER)
    values = _floats(pc.cast(pc.if_else(good, plain, pa.scalar(None, pa.string())), pa.float64()))
    values[~np.isfinite(values)] = np.nan
    wrong = np.isnan(values) & _bools(pc.is_valid(cells))
    separated = wrong & _bools(pc.match_substring_regex(cells, _SEPARATED))
    return Numbers(values, wrong & ~separated, separated)


def _ungrouped(cells: pa.ChunkedArray, decimal: str, thousands: str) -> pa.ChunkedArray:
    marks = _ALIKE.get(thousands, re.escape(thousands))
    grouped = f"^[+-]?[0-9]{{1,3}}((?:[{marks}][0-9]{{3}})+)({re.escape(decimal)}[0-9]*)?$"
    plain = pc.replace_substring_regex(cells, f"[{marks}]", "")
    return pc.if_else(pc.match_substring_regex(cells, grouped), plain, cells)


def _floats(column: pa.ChunkedArray) -> Floats:
    return np.array(column.to_numpy(), dtype=np.float64)


def _bools(column: pa.ChunkedArray) -> Bools:
    return np.asarray(pc.fill_null(column, False).to_numpy(), dtype=bool)
