"""Find the lines of a sample that are no rows of its table: totals, averages, notes at the end."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.arrays import Bools, Ints
from arcdrift.intake.draft.headers.header_words import plain
from arcdrift.intake.draft.headers.word_lists import WordLists
from arcdrift.intake.layout.layout_rows import WIDTH_PROBLEMS, line_cells, lines_starting_with
from arcdrift.intake.text.raw_rows import RawRows

_MOST_NOTES = 8
_NOTE_CELLS = 2
"""A note at the end has at most this many cells with something in them,"""
_FEWEST_CELLS = 4
"""where rows have at least this many."""
_SUM_SHARE = 0.7
"""A sum leaves cells empty: it has at most this share of the cells that rows have."""
_FIRST_WORDS = re.compile(r"[^\d:;,\t\"]*[^\W\d_]")


@dataclass(frozen=True)
class Footer:
    """Lines that are no rows, as the skip rules of a layout name them.

    Attributes
    ----------
    starts : tuple of str
        Words that whole lines start with.
    cells : tuple of (str, str)
        Headers, and words that a cell below them starts with.
    """

    starts: tuple[str, ...] = ()
    cells: tuple[tuple[str, str], ...] = ()

    @property
    def words(self) -> tuple[str, ...]:
        """The words, to tell people which lines are left out."""
        return (*self.starts, *(word for _, word in self.cells))

    def body(self, rows: RawRows) -> RawRows:
        """The rows of a table without those of the footer."""
        gone = lines_starting_with(rows.lines, self.starts)[rows.first]
        for header, word in self.cells:
            gone |= _begin(rows, header, word)
        if not gone.any():
            return rows
        keep = ~gone
        return replace(
            rows,
            cells=rows.cells.filter(pa.array(keep)),
            first=rows.first[keep],
            last=rows.last[keep],
        )


def find_footer(rows: RawRows, words: WordLists) -> Footer:
    """Find the lines that are no rows of a table.

    Sums are told by their first word wherever they stand, notes by standing after the last row. A
    row that was cut short begins like the other rows, and is none of them.
    """
    filled = _filled(rows)
    counts = filled.sum(axis=1)
    usual = float(np.median(counts)) if len(counts) else 0.0
    first_cell = np.argmax(filled, axis=1) if len(counts) else np.zeros(0, np.int64)
    sparse = np.flatnonzero(counts <= _SUM_SHARE * usual)
    sums = np.array([row for row in sparse if _is_sum(_cell(rows, row, first_cell[row]), words)])
    odd = [row for row in rows.broken if row.code in WIDTH_PROBLEMS]
    after, last = _notes(rows, counts, usual, set(sums.tolist()))
    in_footer = np.zeros(len(counts), bool)
    in_footer[[*sums.astype(int), *after]] = True
    lines = [rows.lines.text(row.first) for row in odd]
    is_sum = [_is_sum(_first_cell(text, rows.delimiter), words) for text in lines]
    ends = [text for row, text in zip(odd, lines, strict=True) if row.first > last]
    starts = [text for text, found in zip(lines, is_sum, strict=True) if found]
    if len(ends) + len(after) <= _MOST_NOTES:
        starts += ends
    at_begin = [row for row in np.flatnonzero(in_footer) if first_cell[row] == 0]
    inside = [row for row in np.flatnonzero(in_footer) if first_cell[row] > 0]
    starts += [_cell(rows, row, 0) for row in at_begin]
    body = rows.first[~in_footer]
    return Footer(
        tuple(
            word
            for word in _first_words(starts)
            if not lines_starting_with(rows.lines, (word,))[body].any()
        ),
        tuple(
            (header, word)
            for row in inside
            for header in [rows.header[first_cell[row]]]
            for word in _first_words([_cell(rows, row, first_cell[row])])
            if not _begin(rows, header, word)[~in_footer].any()
        ),
    )


def _notes(rows: RawRows, counts: Ints, usual: float, sums: set[int]) -> tuple[list[int], int]:
    """Rows after the last one of the table, and the line of that."""
    row = len(counts) - 1
    found: list[int] = []
    while row >= 0 and (row in sums or (counts[row] <= _NOTE_CELLS and usual >= _FEWEST_CELLS)):
        if row not in sums:
            found.append(row)
        row -= 1
    if len(found) > _MOST_NOTES or row < 0:
        found = []
    return found, int(rows.last[row]) if row >= 0 else int(rows.last.max(initial=0))


def _is_sum(cell: str, words: WordLists) -> bool:
    bare = plain(cell).split()
    return any(" ".join(bare[:count]) in words.summary for count in (1, 2))


def _filled(rows: RawRows) -> Bools:
    """Which cells have something in them, shape (rows, columns)."""
    columns = [
        ~_bools(pc.equal(pc.binary_length(pc.utf8_trim_whitespace(column)), 0))
        for column in rows.cells.columns
    ]
    return np.column_stack(columns) if columns else np.zeros((0, 0), bool)


def _begin(rows: RawRows, header: str, word: str) -> Bools:
    """Which rows have a cell below a header that starts with a word."""
    cells = pc.utf8_trim_whitespace(rows.cells.column(rows.header.index(header)))
    return _bools(pc.starts_with(cells, word, ignore_case=True))


def _cell(rows: RawRows, row: int | np.integer, column: int | np.integer) -> str:
    return str(rows.cells.column(int(column))[int(row)].as_py()).strip()


def _first_cell(text: str, delimiter: str) -> str:
    cells = (cell.strip() for cell in line_cells(text, delimiter))
    return next(filter(None, cells), "")


def _first_words(texts: Sequence[str]) -> tuple[str, ...]:
    """Words at the start of texts, up to a number or a mark."""
    found = (_FIRST_WORDS.match(text.lstrip(' "')) for text in texts)
    return tuple(dict.fromkeys(word[0].strip() for word in found if word is not None))


def _bools(column: pa.ChunkedArray) -> Bools:
    return np.asarray(pc.fill_null(column, False).to_numpy(), dtype=bool)
