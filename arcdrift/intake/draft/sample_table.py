"""Find the table in a sample file: its header, delimiter, units and footer."""

import csv
import re
from dataclasses import dataclass

from arcdrift.errors import BadInput
from arcdrift.intake.draft.header_match import is_known
from arcdrift.intake.draft.word_lists import unit_named
from arcdrift.intake.layout.layout_rows import first_lines, lines_starting_with
from arcdrift.intake.text.raw_rows import DELIMITERS, RawRows, read_rows

_HEADER_WITHIN = 60
_FOLLOWING = 20
_FOOTER_WITHIN = 5
_WIDTH_PROBLEMS = ("cells-missing", "cells-extra")


@dataclass(frozen=True)
class Table:
    """The table in a sample.

    Attributes
    ----------
    rows : RawRows
        Its rows.
    header_at : int
        Lines before the header.
    units : dict of str to str
        Units by header, from a line of units below the header; empty if there is none.
    footer : tuple of str
        First words of the lines at the end that are not rows.
    """

    rows: RawRows
    header_at: int
    units: dict[str, str]
    footer: tuple[str, ...]

    @property
    def headers(self) -> tuple[str, ...]:
        """Names of its columns; those without one are left out."""
        return tuple(name for name in self.rows.header if name)


def find_table(content: bytes, name: str) -> Table:
    """Find the table in the text of a file.

    Raises
    ------
    BadInput
        When there is none.
    """
    texts = list(first_lines(content))
    choices = [
        (*_likeness(texts, line, delimiter), -line, delimiter)
        for line in range(min(len(texts), _HEADER_WITHIN))
        if texts[line].strip()
        for delimiter in DELIMITERS
    ]
    if not choices:
        raise BadInput(f"{name} is empty.")
    known, _, negative_line, delimiter = max(choices)
    header_at = -negative_line
    if not known:
        raise BadInput(
            f"No header of {name} is known, so no layout can be drafted; write one by hand after "
            f"an example in data/layouts."
        )
    rows = read_rows(content, name, delimiter=delimiter, skip_lines=header_at)
    units = _units(rows)
    if units:
        rows = read_rows(
            content, name, delimiter=delimiter, skip_lines=header_at, skip_after_header=1
        )
    if rows.cells.num_rows == 0:
        raise BadInput(f"{name} has a header but no rows; draft from a file with some.")
    return Table(rows, header_at, units, _footer(rows))


def _likeness(texts: list[str], line: int, delimiter: str) -> tuple[int, float]:
    """Known words in a line, and the share of the next lines with as many cells."""
    cells = _cells(texts[line], delimiter)
    if len(cells) < 2:
        return 0, 0.0
    known = sum(is_known(cell) for cell in cells)
    after = [text for text in texts[line + 1 : line + 1 + _FOLLOWING] if text.strip()]
    as_wide = sum(len(_cells(text, delimiter)) == len(cells) for text in after)
    return known, as_wide / max(len(after), 1)


def _cells(text: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([text], delimiter=delimiter), [])
    except csv.Error:
        return []


def _units(rows: RawRows) -> dict[str, str]:
    """Units by header if the first row holds units only."""
    if rows.cells.num_rows == 0:
        return {}
    first = (column[0].as_py().strip() for column in rows.cells.columns)
    named = {header: cell.strip("[]()") for header, cell in zip(rows.header, first, strict=True)}
    units = {header: unit_named(cell) for header, cell in named.items() if cell}
    found = {header: unit for header, unit in units.items() if unit is not None}
    return found if len(found) == len(units) else {}


def _footer(rows: RawRows) -> tuple[str, ...]:
    """First words of the lines after the last row that are not rows."""
    last = int(rows.last.max())
    after = [row for row in rows.broken if row.first > last and row.code in _WIDTH_PROBLEMS]
    if len(after) > _FOOTER_WITHIN:
        return ()
    first_words = []
    for row in after:
        text = rows.lines.text(row.first).lstrip(' "')
        word = re.match(r"[^\d:;,\t\"]*[^\W\d_]", text)
        if word is not None:
            first_words.append(word[0].strip())
    # a row that was cut short begins like the others, and these must not be skipped
    return tuple(
        word
        for word in dict.fromkeys(first_words)
        if not lines_starting_with(rows.lines, (word,))[rows.first].any()
    )
