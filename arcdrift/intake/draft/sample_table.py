"""Find the table in a sample file: its header, delimiter, units, and rows that are none."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from arcdrift.errors import BadInput
from arcdrift.intake.draft.footer import Footer, find_footer
from arcdrift.intake.draft.headers.header_match import Aliases, is_known
from arcdrift.intake.draft.headers.word_lists import WordLists
from arcdrift.intake.layout.layout_rows import first_lines, line_cells, starts_header
from arcdrift.intake.text.raw_rows import DELIMITERS, RawRows, joined_header, read_rows

_HEADER_WITHIN = 60
_FOLLOWING = 20
_FEWEST_KNOWN = 2
"""Known words from which a row counts as a header."""
_DATA = re.compile(r"\s*[<+\-]?\d")
"""Begin of a number, a date or a time."""


@dataclass(frozen=True)
class Table:
    """The table in a sample.

    Attributes
    ----------
    rows : RawRows
        Its rows.
    header_at : int
        Lines before the header.
    header_lines : int
        Lines of the header.
    aliases : dict of str to tuple of str
        The names of each header in its own lines, if there are two.
    units : dict of str to str
        Units by header, from a line of units below the header; empty if there is none.
    texts : tuple of str
        The first lines of the file.
    footer : Footer
        Lines that are not rows: totals, averages, notes at the end.
    """

    rows: RawRows
    header_at: int
    header_lines: int
    aliases: Aliases
    units: dict[str, str]
    texts: tuple[str, ...]
    footer: Footer

    @property
    def preamble(self) -> tuple[str, ...]:
        """Lines before the header that are not blank."""
        return tuple(text for text in self.texts[: self.header_at] if text.strip())

    @property
    def first_names(self) -> tuple[str, ...]:
        """The first names of the first line of the header."""
        cells = line_cells(self.texts[self.header_at], self.rows.delimiter)[:3]
        while cells and not cells[-1].strip():
            cells.pop()
        return tuple(cell.strip() for cell in cells)

    @property
    def header_begin(self) -> str:
        """Text by which a layout finds the header; empty if it does not find it."""
        begin = self.rows.delimiter.join(self.first_names)
        lines = enumerate(self.texts[: self.header_at + 1])
        starts = [number for number, line in lines if starts_header(line, begin)]
        return begin if starts == [self.header_at] else ""

    @property
    def body(self) -> RawRows:
        """The rows without those of the footer."""
        return self.footer.body(self.rows)

    @property
    def headers(self) -> tuple[str, ...]:
        """Names of its columns; those without one are left out."""
        return tuple(name for name in self.rows.header if name)


def find_table(content: bytes, name: str, words: WordLists) -> Table:
    """Find the table in the text of a file.

    Raises
    ------
    BadInput
        When there is none.
    """
    texts = list(first_lines(content))
    choices = [
        (*_likeness(texts, line, count, delimiter, words), -count, -line, delimiter)
        for delimiter in DELIMITERS
        for line in range(min(len(texts), _HEADER_WITHIN))
        for count in (1, 2)
        if texts[line].strip()
    ]
    if not choices:
        raise BadInput(f"{name} is empty.")
    known, _, negative_count, negative_line, delimiter = max(choices)
    header_at, header_lines = -negative_line, -negative_count
    if not known:
        raise BadInput(
            f"No header of {name} is known, so no layout can be drafted; write one by hand after "
            f"an example in data/layouts."
        )

    def read(after: int) -> RawRows:
        return read_rows(
            content,
            name,
            delimiter=delimiter,
            skip_lines=header_at,
            header_lines=header_lines,
            skip_after_header=after,
        )

    rows = read(0)
    units = _units(rows, words)
    if units:
        rows = read(1)
    if rows.cells.num_rows == 0:
        raise BadInput(f"{name} has a header but no rows; draft from a file with some.")
    aliases: Aliases = {
        header: (written,)
        for header, written in zip(rows.header, rows.written, strict=True)
        if header != written
    }
    if header_lines == 2:
        parts = [line_cells(texts[header_at + line], delimiter) for line in (1, 0)]
        aliases = {
            header: tuple(part[place].strip() for part in parts if part[place].strip())
            for place, header in enumerate(rows.header)
        }
    footer = find_footer(rows, words)
    return Table(rows, header_at, header_lines, aliases, units, tuple(texts), footer)


def names_known_words(row: Sequence[str], words: WordLists) -> bool:
    """Whether a row looks like the header of a log in any language that is known."""
    return sum(is_known(cell, words) for cell in row if cell) >= _FEWEST_KNOWN


def _likeness(
    texts: list[str], line: int, count: int, delimiter: str, words: WordLists
) -> tuple[int, float]:
    """Known words in a header of one or two lines, and the share of next lines as wide."""
    cells = line_cells(texts[line], delimiter)
    numbers = sum(_DATA.match(cell) is not None for cell in cells)
    if len(cells) < 2 or 2 * numbers > len(cells):  # a row of data
        return 0, 0.0
    known = [is_known(cell, words) for cell in cells]
    if count == 2:
        below = line_cells(texts[line + 1], delimiter) if line + 1 < len(texts) else []
        # a row of data has a time or a number in it, a line of a header has neither
        if len(below) != len(cells) or any(map(_DATA.match, [*cells, *below])):
            return 0, 0.0
        joined = joined_header([cells, below])
        known = [is_known(cell, words) for cell in joined]
        known = [a or is_known(cell, words) for a, cell in zip(known, below, strict=True)]
        if not any(below) or len(set(joined)) < len([cell for cell in joined if cell]):
            return 0, 0.0
    after = [text for text in texts[line + count : line + count + _FOLLOWING] if text.strip()]
    as_wide = sum(len(line_cells(text, delimiter)) == len(cells) for text in after)
    return sum(known) - _unnamed(cells if count == 1 else joined), as_wide / max(len(after), 1)


def _unnamed(cells: list[str]) -> int:
    """Names that a header lacks between others, or has twice."""
    named = [cell.strip() for cell in cells]
    while named and not named[-1]:
        named.pop()
    return len(named) - len({cell for cell in named if cell})


def _units(rows: RawRows, words: WordLists) -> dict[str, str]:
    """Units by header if the first row holds units only."""
    if rows.cells.num_rows == 0:
        return {}
    first = (column[0].as_py().strip() for column in rows.cells.columns)
    named = {header: cell.strip("[]()") for header, cell in zip(rows.header, first, strict=True)}
    units = {header: words.unit_named(cell) for header, cell in named.items() if cell}
    found = {header: unit for header, unit in units.items() if unit is not None}
    return found if len(found) == len(units) else {}
