"""Find how the numbers of a sample are written: units, decimal and thousands marks, no value."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.intake.draft.headers.word_lists import WordLists, measures
from arcdrift.intake.layout.layouts import Decimal, Thousands
from arcdrift.intake.typing.cells import as_cells, numbers, text, trimmed

SAMPLE_ROWS = 50_000
"""Rows of a sample; of a longer file as many are taken at regular intervals."""
_MARKS: tuple[tuple[Decimal, Thousands | None], ...] = (
    (".", None),
    (",", None),
    (".", ","),
    (",", "."),
    (".", " "),
    (",", " "),
    (".", "'"),
    (",", "'"),
)
"""Pairs of decimal and thousands marks, the commonest first."""
_AMBIGUOUS = r"^[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}$"
"""A number whose mark may stand for thousands or decimals."""
_NUMERIC = 0.5
"""A column counts as numbers if at least this share of its values are numbers."""
_BELOW = r"^[<\u2264]=?\s*"
_TAILED = r"^[<\u2264]?=?\s*[+-]?[.,]?\d[\d.,'\u2019 \u00a0\u2009\u202f]*?\s*([^\d\s.,'<][^\d]*)$"


@dataclass(frozen=True)
class Marks:
    """Decimal and thousands marks of a column.

    Attributes
    ----------
    decimal, thousands : str
        The pair that reads most values.
    decided : bool
        Whether any value rules out the other decimal mark.
    readable : float
        Share of the values that can be read.
    mark : str, optional
        The mark in values such as 1.234, if no value decides what it stands for.
    """

    decimal: Decimal
    thousands: Thousands | None
    decided: bool
    readable: float
    mark: Thousands | None = None


@dataclass(frozen=True)
class NumberCells:
    """The numbers of a column without the units behind them.

    Attributes
    ----------
    distinct : Series of str
        Distinct values, without units and without a sign for "less than".
    tails : tuple of str
        The words behind the numbers that were taken away, all for one unit.
    unit : str, optional
        The unit they stand for.
    """

    distinct: pd.Series
    tails: tuple[str, ...] = ()
    unit: str | None = None

    @cached_property
    def marks(self) -> Marks:
        """Their decimal and thousands marks."""
        return marks_of(self.distinct)

    @property
    def are_numbers(self) -> bool:
        """Whether most values are numbers, however they are written."""
        return self.marks.readable >= _NUMERIC

    @property
    def pattern(self) -> str | None:
        """Pattern of a layout that takes the number out of a cell; None if no unit is behind it."""
        if not self.tails or self.unit == "percent":  # an import knows the percent sign
            return None
        return rf"(.*?)\s*(?:{'|'.join(map(re.escape, self.tails))})?"


def sample_of(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Trimmed cells of a column, at regular intervals if there are many."""
    if len(column) > SAMPLE_ROWS:
        step = -(-len(column) // SAMPLE_ROWS)
        column = column.take(pa.array(range(0, len(column), step)))
    return trimmed(column)


def distinct(cells: pa.ChunkedArray, no_value: Iterable[str]) -> pd.Series:
    """Distinct texts without missing ones and words for no value (in small letters)."""
    values = text(pa.chunked_array([pc.unique(cells)])).dropna()
    return values[~values.str.casefold().isin(list(no_value))].reset_index(drop=True)


def missing_words(cells: pa.ChunkedArray, no_value: Iterable[str]) -> tuple[str, ...]:
    """Words for no value, as in the file."""
    values = text(pa.chunked_array([pc.unique(cells)])).dropna()
    return tuple(sorted(values[values.str.casefold().isin(list(no_value))]))


def number_cells(values: pd.Series, column: str, words: WordLists) -> NumberCells:
    """Take the unit away that stands behind the numbers of a column, and a sign for "less than".

    Parameters
    ----------
    values : Series of str
        From `distinct`.
    """
    tails = values.str.extract(_TAILED, expand=False).str.strip()
    written = tuple(dict.fromkeys(tails.dropna()))
    units = {words.unit_named(tail) for tail in written}
    bare, unit = values, None
    if len(units) == 1 and (unit := units.pop()) is not None and measures(column, unit):
        ends = values.str.len() - tails.str.len().fillna(0).astype(int)
        bare = pd.Series(
            [value[:end].strip() for value, end in zip(values, ends, strict=True)],
            index=values.index,
            dtype="str",
        )
    else:
        written, unit = (), None
    bare = bare.str.replace(_BELOW, "", regex=True)
    return NumberCells(bare.drop_duplicates(), written, unit)


def marks_of(values: pd.Series) -> Marks:
    """Find the decimal and thousands marks of a column of numbers.

    Parameters
    ----------
    values : Series of str
        From `distinct` or `number_cells`.
    """
    if values.empty:
        return Marks(".", None, decided=False, readable=1.0)
    cells = as_cells(values)
    readable = {
        marks: 1 - float((read.unreadable | read.separated).mean())
        for marks in _MARKS
        for read in [numbers(cells, *marks)]
    }
    best = max(readable.values())
    decimal, thousands = next(marks for marks in _MARKS if readable[marks] == best)
    marked = values[values.str.contains("[.,]", regex=True)]
    if marked.empty or not marked.str.match(_AMBIGUOUS).all():
        return Marks(decimal, thousands, not marked.empty, best)
    return Marks(decimal, None, False, best, "." if decimal == "." else ",")


def pair_mark(values: pd.Series) -> str | None:
    """The mark between two numbers in one cell, such as the ``/`` in ``0.4/0.7``."""
    if values.empty:
        return None
    number = r"[+-]?\d+(?:[.,]\d+)?"
    for mark in ("/", "|", ";", "-"):
        sides = (rf"{number}\s*", rf"\s*{number}")
        pair = rf"^(?:{sides[0]}{{0}}{sides[1]}|{sides[0]}{{0}}|{{0}}{sides[1]})$"
        pair = pair.replace("{0}", re.escape(mark))
        if values.str.match(pair).mean() > _NUMERIC:
            return mark
    return None
