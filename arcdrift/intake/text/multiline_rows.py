"""Divide lines into rows where a row may span several lines because of quoted line breaks.

A quote that is never closed must not swallow the rows after it. Therefore a row of several lines is
accepted only if its quotes close and it has the right number of cells, and a line that is a whole
row by itself is never taken for the inside of a cell.
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
    texts: list[str], delimiter: str, width: int, named: int
) -> Iterator[MultilineRow]:
    """Divide readable lines into rows.

    Parameters
    ----------
    texts : list of str
        Lines in order, without their line ends; none of them a plain row.
    width, named : int
        Cells in the header, and how many of them have a name. Cells after the named ones must be
        blank.
    """
    whole_rows: dict[int, bool] = {}
    line = 0
    while line < len(texts):
        row = _row_from(texts, line, delimiter, width, named, whole_rows)
        yield row
        line = row.last + 1


def _row_from(
    texts: list[str],
    line: int,
    delimiter: str,
    width: int,
    named: int,
    whole_rows: dict[int, bool],
) -> MultilineRow:
    def following() -> Iterator[str]:
        yield texts[line] + "\n"
        for number in range(line + 1, min(line + MAX_ROW_LINES, len(texts))):
            if number not in whole_rows:
                whole_rows[number] = _cell_count(texts[number], delimiter) == width
            if whole_rows[number]:
                return
            yield texts[number] + "\n"

    if not texts[line].strip():
        return MultilineRow(line, line, None, "blank")
    failed = partial(MultilineRow, line, line, None)
    reader = csv.reader(following(), delimiter=delimiter, strict=True)
    try:
        cells = next(reader)
    except csv.Error as problem:
        return failed("quote-stray" if "expected after" in str(problem) else "quote-unclosed")
    last = line + reader.line_num - 1
    if not any(cell.strip() for cell in cells):
        return MultilineRow(line, last, None, "blank")
    if named <= len(cells) and not any(cell.strip() for cell in cells[named:]):
        return MultilineRow(line, last, cells[:named])
    if last > line:
        # a row of several lines must have all its cells; else the quote is wrong
        return failed("quote-unclosed")
    return failed("cells-missing" if len(cells) < named else "cells-extra")


def _cell_count(text: str, delimiter: str) -> int:
    try:
        return len(next(csv.reader([text], delimiter=delimiter, strict=True), []))
    except csv.Error:
        return -1
