"""What the values of a sample's columns tell: decimal and thousands marks, words, missing ones."""

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
"""Rows looked at; of a longer file as many are taken from all over it."""
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
"""Decimal and thousands marks, the plainest first."""
_UNTOLD = r"^[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}$"
"""A number whose mark may part thousands as well as decimals."""
_NUMERIC = 0.5
"""Share of values that must be numbers in a column of numbers."""


@dataclass(frozen=True)
class Marks:
    """Decimal and thousands marks of a column.

    Attributes
    ----------
    decimal, thousands : str
        Those that read most values.
    told : bool
        Whether any value rules the other decimal mark out.
    readable : float
        Share of the values that can be read.
    mark : str, optional
        The mark in values such as 1.234, when nothing tells what it parts.
    """

    decimal: Decimal
    thousands: Thousands | None
    told: bool
    readable: float
    mark: Thousands | None = None


def sample_of(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Trimmed cells of a column, from all over it when there are many."""
    if len(column) > SAMPLE_ROWS:
        step = -(-len(column) // SAMPLE_ROWS)
        column = column.take(pa.array(range(0, len(column), step)))
    return trimmed(column)


def distinct(cells: pa.ChunkedArray) -> pd.Series:
    """Distinct texts, missing ones and words for no value left out."""
    values = text(pa.chunked_array([pc.unique(cells)])).dropna()
    return values[~values.str.lower().isin(NO_VALUE)].reset_index(drop=True)


def missing_words(cells: pa.ChunkedArray) -> tuple[str, ...]:
    """Words for no value, as written."""
    values = text(pa.chunked_array([pc.unique(cells)])).dropna()
    return tuple(sorted(values[values.str.lower().isin(NO_VALUE)]))


def marks_of(values: pd.Series) -> Marks:
    """Tell the decimal and thousands marks of a column of numbers.

    Parameters
    ----------
    values : Series of str
        From `distinct`.
    """
    if values.empty:
        return Marks(".", None, told=False, readable=1.0)
    cells = pa.chunked_array([pa.array(values, pa.string())])
    readable = {
        marks: 1 - float((read.unreadable | read.separated).mean())
        for marks in _MARKS
        for read in [numbers(cells, *marks)]
    }
    best = max(readable.values())
    decimal, thousands = next(marks for marks in _MARKS if readable[marks] == best)
    marked = values[values.str.contains("[.,]", regex=True)]
    if marked.empty or not marked.str.match(_UNTOLD).all():
        return Marks(decimal, thousands, not marked.empty, best)
    return Marks(decimal, None, False, best, "." if decimal == "." else ",")


def is_numeric(values: pd.Series) -> bool:
    """Whether most values are numbers, however they are written."""
    return marks_of(values).readable >= _NUMERIC


def meanings_of(values: pd.Series, kind: Kind, column: str) -> tuple[dict[str, str], list[str]]:
    """Words of a file and what they mean, and the words that are not known.

    Words that are ours already need no meaning and are left out.
    """
    known = {
        word: ours
        for ours, words in MEANINGS.get((kind.name, column), {}).items()
        for word in words.split("|")
    }
    meant: dict[str, str] = {}
    strange = []
    seen: set[str] = set()
    for value in values:
        if value.lower() in kind.words(column) or value.lower() in seen:
            continue
        seen.add(value.lower())
        if plain(value) in known:
            meant[value] = known[plain(value)]
        else:
            strange.append(value)
    return meant, strange


def pair_mark(values: pd.Series) -> str | None:
    """The mark that parts cells of two numbers, such as the ``/`` in ``0.4/0.7``."""
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
    words = values.str.extract(r"^[+-]?\d[\d.,]*\s*([^\d\s.,][^\d]*)$", expand=False)
    told = words.dropna().str.strip().unique()
    return str(told[0]) if words.notna().all() and len(told) == 1 else None
