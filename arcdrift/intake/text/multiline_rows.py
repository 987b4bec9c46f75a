"""The slow, careful way to rows, for runs of lines that are not one plain row each.

A quoted cell may hold line breaks. One that is never closed must not swallow what follows, so
a row over several lines is believed only if it closes well and has the right number of cells,
and a line that is a whole row by itself is never taken for the inside of a cell.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

MAX_ROW_LINES = 100
"""A quoted cell over more lines than this counts as never closed."""


@dataclass(frozen=True)
class Piece:
    """One or more lines that belong together.

    Attributes
    ----------
    first, last : int
        Lines, inclusive.
    cells : list of str, or None
        The row's cells; None for a row that cannot be read.
    code : str
        Problem code of a row that cannot be read, else "". ``blank`` for no row at all.
    """

    first: int
    last: int
    cells: list[str] | None
    code: str = ""


def pieces(texts: list[str], delimiter: str, width: int, named: int) -> Iterator[Piece]:
    """Divide readable lines into rows.

    Parameters
    ----------
    texts : list of str
        Lines in order, without their line ends; none of them a plain row.
    width, named : int
        Cells in the header, and how many of them have a name. Cells beyond the named ones
        must be blank.
    """
    alone: dict[int, bool] = {}
    line = 0
    while line < len(texts):
        piece = _piece(texts, line, delimiter, width, named, alone)
        yield piece
        line = piece.last + 1


def _piece(
    texts: list[str], line: int, delimiter: str, width: int, named: int, alone: dict[int, bool]
) -> Piece:
    def following() -> Iterator[str]:
        yield texts[line] + "\n"
        for number in range(line + 1, min(line + MAX_ROW_LINES, len(texts))):
            if number not in alone:
                alone[number] = _cell_count(texts[number], delimiter) == width
            if alone[number]:
                return
            yield texts[number] + "\n"

    if not texts[line].strip():
        return Piece(line, line, None, "blank")
    failed = partial(Piece, line, line, None)
    reader = csv.reader(following(), delimiter=delimiter, strict=True)
    try:
        cells = next(reader)
    except csv.Error as problem:
        return failed("quote-stray" if "expected after" in str(problem) else "quote-unclosed")
    last = line + reader.line_num - 1
    if not any(cell.strip() for cell in cells):
        return Piece(line, last, None, "blank")
    if named <= len(cells) and not any(cell.strip() for cell in cells[named:]):
        return Piece(line, last, cells[:named])
    if last > line:
        # a believable row over several lines has all its cells; else the quote is at fault
        return failed("quote-unclosed")
    return failed("cells-missing" if len(cells) < named else "cells-extra")


def _cell_count(text: str, delimiter: str) -> int:
    try:
        return len(next(csv.reader([text], delimiter=delimiter, strict=True), []))
    except csv.Error:
        return -1
