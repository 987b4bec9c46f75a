"""Divide lines into rows where a row may span several lines because of quoted line breaks.

A quote that is never closed must not swallow the rows after it. Therefore a row of several lines
is accepted only if its quotes close and it has the right number of cells, and a plain row, whose
quotes enclose whole cells, is never taken for the inside of a cell. A line whose first cell ends
with a quote that no line before has opened is the end of a damaged row, not a row.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

MAX_ROW_LINES = 100
"""A quoted cell that spans more lines counts as never closed."""


@dataclass(frozen=True)
class MultilineRow:
    """One or more lines that are one row, or none.

    Attributes
    ----------
    first, last : int
        Lines, inclusive.
    cells : list of str, or None
        The row's cells; None for a row that cannot be read.
    code : str
        Problem code of a row that cannot be read; ``blank`` for blank lines; else "".
    """

    first: int
    last: int
    cells: list[str] | None
    code: str = ""


def multiline_rows(
    texts: list[str], delimiter: str, named: int, most: int
) -> Iterator[MultilineRow]:
    """Divide readable lines into rows.

    Parameters
    ----------
    texts : list of str
        Lines in order, without their line ends; none of them a plain row.
    named : int
        Cells in the header up to the last one with a name.
    most : int
        Cells that a row may have; what comes after these must be blank.
    """
    line = 0
    while line < len(texts):
        row = _row_from(texts, line, delimiter, named, most)
        yield row
        line = row.last + 1


def _row_from(texts: list[str], line: int, delimiter: str, named: int, most: int) -> MultilineRow:
    if not texts[line].strip():
        return MultilineRow(line, line, None, "blank")
    failed = partial(MultilineRow, line, line, None)
    if _closes_quote(texts[line], delimiter):
        return failed("quote-unopened")
    following = (f"{text}\n" for text in texts[line : line + MAX_ROW_LINES])
    reader = csv.reader(following, delimiter=delimiter, strict=True)
    try:
        cells = next(reader)
    except csv.Error as problem:
        return failed("quote-stray" if "expected after" in str(problem) else "quote-unclosed")
    last = line + reader.line_num - 1
    if not any(cell.strip() for cell in cells):
        return MultilineRow(line, last, None, "blank")
    if named <= len(cells) and not any(cell.strip() for cell in cells[most:]):
        return MultilineRow(line, last, cells[:named])
    if last > line:
        # a row of several lines must have all its cells; else the quote is wrong
        return failed("quote-unclosed")
    return failed("cells-missing" if len(cells) < named else "cells-extra")


def _closes_quote(text: str, delimiter: str) -> bool:
    """Whether the first cell of a line ends with a quote that belongs to a line before."""
    first = text.partition(delimiter)[0].strip()
    return first.endswith('"') and not first.startswith('"') and text.count('"') % 2 == 1
