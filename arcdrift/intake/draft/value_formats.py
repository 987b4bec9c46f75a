"""Find how the values of a sample are written: decimal and thousands marks, words, no value."""

import re
from dataclasses import dataclass

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.intake.draft.word_lists import MEANINGS, NO_VALUE, plain
from arcdrift.intake.layout.layouts import Decimal, Thousands
from arcdrift.intake.schema.kinds import Kind
from arcdrift.intake.typing.cells import numbers, text, trimmed

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


def sample_of(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Trimmed cells of a column, at regular intervals if there are many."""
    if len(column) > SAMPLE_ROWS:
        step = -(-len(column) // SAMPLE_ROWS)
        column = column.take(pa.array(range(0, len(column), step)))
    return trimmed(column)


def distinct(cells: pa.ChunkedArray) -> pd.Series:
    """Distinct texts without missing ones and words for no value."""
    values = text(pa.chunked_array([pc.unique(cells)])).dropna()
    return values[~values.str.lower().isin(NO_VALUE)].reset_index(drop=True)


def missing_words(cells: pa.ChunkedArray) -> tuple[str, ...]:
    """Words for no value, as in the file."""
    values = text(pa.chunked_array([pc.unique(cells)])).dropna()
    return tuple(sorted(values[values.str.lower().isin(NO_VALUE)]))


def marks_of(values: pd.Series) -> Marks:
    """Find the decimal and thousands marks of a column of numbers.

    Parameters
    ----------
    values : Series of str
        From `distinct`.
    """
    if values.empty:
        return Marks(".", None, decided=False, readable=1.0)
    cells = pa.chunked_array([pa.array(values, pa.string())])
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


def is_numeric(values: pd.Series) -> bool:
    """Whether most values are numbers, however they are written."""
    return marks_of(values).readable >= _NUMERIC


def meanings_of(values: pd.Series, kind: Kind, column: str) -> tuple[dict[str, str], list[str]]:
    """Meanings of the words of a file, and the words that are not known.

    Words that are ours already are left out.
    """
    known = {
        word: ours
        for ours, words in MEANINGS.get((kind.name, column), {}).items()
        for word in words.split("|")
    }
    meanings: dict[str, str] = {}
    unknown = []
    seen: set[str] = set()
    for value in values:
        if value.lower() in kind.allowed_words(column) or value.lower() in seen:
            continue
        seen.add(value.lower())
        if plain(value) in known:
            meanings[value] = known[plain(value)]
        else:
            unknown.append(value)
    return meanings, unknown


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


def tail_of(values: pd.Series) -> str | None:
    """The word that follows every number, such as the ``dB`` in ``0.03 dB``."""
    if values.empty:
        return None
    units = values.str.extract(r"^[+-]?\d[\d.,]*\s*([^\d\s.,][^\d]*)$", expand=False)
    distinct_units = units.dropna().str.strip().unique()
    every_value = bool(units.notna().all())
    return str(distinct_units[0]) if every_value and len(distinct_units) == 1 else None
