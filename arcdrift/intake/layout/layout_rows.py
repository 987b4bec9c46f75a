"""Find the header of a file the way its layout says, and skip the rows that the layout names."""

import csv
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.arrays import Bools
from arcdrift.errors import BadInput
from arcdrift.intake.layout.layouts import Layout, SkipRule
from arcdrift.intake.text.physical_lines import Lines
from arcdrift.intake.text.raw_rows import Broken, RawRows, read_rows

SEARCHED_LINES = 200
"""The header is searched for in this many lines at the beginning of a file."""
_HEAD_BYTES = 1 << 18
"""Bytes of a file that hold its header and the lines before it."""
WIDTH_PROBLEMS = ("cells-missing", "cells-extra")
"""Codes of rows with a wrong number of cells."""


def lines_before_header(content: bytes, layout: Layout, name: str) -> int:
    """Count the lines before the header of a file.

    Raises
    ------
    BadInput
        When no line begins the way the layout says, or the preamble is not before it.
    """
    if layout.header_starts_with is None:
        return layout.skip_lines
    preamble_found = layout.preamble is None
    for number, line in enumerate(first_lines(content)):
        if starts_header(line, layout.header_starts_with):
            if preamble_found:
                return number
            raise BadInput(
                f"{name} has no line with {layout.preamble!r} before its header, as the layout "
                f"{layout.name} has it; choose another."
            )
        if layout.preamble is not None and _plain(layout.preamble) in _plain(line):
            preamble_found = True
    raise BadInput(
        f"{name} has no line that starts with {layout.header_starts_with!r} among its first "
        f"{SEARCHED_LINES}, as the layout {layout.name} has it; correct header_starts_with or "
        f"choose another layout."
    )


def starts_header(line: str, begin: str) -> bool:
    """Whether a line starts like a header; quotes and upper and lower case make no difference."""
    return _plain(line).startswith(_plain(begin))


def headers_under(content: bytes, layout: Layout, name: str) -> tuple[str, ...] | None:
    """Headers of a file read with a layout; None if there are none."""
    head = first_whole_lines(content)
    try:
        return read_rows(
            head,
            name,
            delimiter=layout.separator,
            skip_lines=lines_before_header(head, layout, name),
            header_lines=layout.header_lines,
        ).header
    except BadInput:
        return None


def first_whole_lines(content: bytes) -> bytes:
    """The beginning of a text, cut between lines, with its header and the lines before it."""
    head = content[:_HEAD_BYTES]
    if len(content) > len(head):
        head = head[: max(head.rfind(b"\n"), head.rfind(b"\r")) + 1]
    return head


def first_lines(content: bytes) -> Iterator[str]:
    """The first lines of a file, without their line ends."""
    end, begin = 0, 0
    for _ in range(SEARCHED_LINES):
        found = (content.find(b"\n", begin), content.find(b"\r", begin))
        ends = [position for position in found if position >= 0]
        end = min(ends, default=len(content))
        if begin == end == len(content):
            return
        yield content[begin:end].decode("utf-8", "replace")
        begin = end + (2 if content[end : end + 2] == b"\r\n" else 1)


def line_cells(line: str, delimiter: str) -> list[str]:
    """The cells of a line; none where it cannot be divided."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return []


def without_skipped_rows(rows: RawRows, layout: Layout, *, footer: int) -> RawRows:
    """Take out the rows that a layout skips, and count their lines as skipped.

    Parameters
    ----------
    footer : int
        Lines with something in them at the end that are no rows.
    """
    if not layout.skip and not footer:
        return rows
    lines = _footer(rows.lines, footer)
    for rule in layout.skip:
        if rule.header is None:
            lines |= lines_starting_with(rows.lines, rule.starts_with)
    here = lines[rows.first]
    skipped_broken = [row for row in rows.broken if lines[row.first]]
    for rule in layout.skip:
        if rule.header is not None:
            here |= _fits_rule(rows.cells.column(rows.header.index(rule.header)), rule)
            skipped_broken += _skipped_broken_rows(rows, rule)
    gone = {row.first for row in skipped_broken}
    skipped = int((rows.last - rows.first + 1)[here].sum())
    skipped += sum(row.last - row.first + 1 for row in rows.broken if row.first in gone)
    keep = ~here
    return replace(
        rows,
        cells=rows.cells.filter(pa.array(keep)),
        first=rows.first[keep],
        last=rows.last[keep],
        broken=tuple(row for row in rows.broken if row.first not in gone),
        skipped_lines=rows.skipped_lines + skipped,
    )


def _plain(text: str) -> str:
    return text.replace('"', "").replace("\ufeff", "").strip().lower()


def _footer(lines: Lines, count: int) -> Bools:
    """The last lines that are not blank."""
    found = np.zeros(len(lines), bool)
    line = len(lines) - 1
    while count and line >= 0:
        if lines.text(line).strip():
            found[line] = True
            count -= 1
        line -= 1
    return found


def lines_starting_with(lines: Lines, words: str | tuple[str, ...]) -> Bools:
    """Which lines start with one of some words, with or without a quote before it."""
    found = np.zeros(len(lines), bool)
    for word in words:
        for begin in (word, f'"{word}'):
            found |= _prefixed(lines, begin)
    return found


def _prefixed(lines: Lines, begin: str) -> Bools:
    lower, upper = (np.frombuffer(t.encode(), np.uint8) for t in (begin.lower(), begin.upper()))
    if len(lower) != len(upper):  # a letter whose cases differ in length
        lower = upper = np.frombuffer(begin.encode(), np.uint8)
    found: Bools = lines.ends - lines.starts[:-1] >= len(lower)
    candidates = np.flatnonzero(found)
    for offset, (small, big) in enumerate(zip(lower, upper, strict=True)):
        byte = lines.bytes_[lines.starts[candidates] + offset]
        candidates = candidates[(byte == small) | (byte == big)]
    found[:] = False
    found[candidates] = True
    return found


def _fits_rule(cells: pa.ChunkedArray, rule: SkipRule) -> Bools:
    cells = pc.utf8_trim_whitespace(cells)
    if rule.matches is not None:
        fits = pc.match_substring_regex(cells, rule.matches, ignore_case=True)
    elif rule.equals:
        words = pa.array([word.lower() for word in rule.equals], pa.string())
        fits = pc.is_in(pc.utf8_lower(cells), words)
    else:
        fits = pc.starts_with(cells, rule.starts_with[0], ignore_case=True)
        for word in rule.starts_with[1:]:
            fits = pc.or_(fits, pc.starts_with(cells, word, ignore_case=True))
    return np.array(pc.fill_null(fits, False).to_numpy(), dtype=bool)


def _skipped_broken_rows(rows: RawRows, rule: SkipRule) -> list[Broken]:
    """Rows with a wrong number of cells that a rule skips."""
    odd = [row for row in rows.broken if row.code in WIDTH_PROBLEMS]
    place = rows.header.index(rule.header or "")
    texts = (rows.lines.text(row.first) for row in odd)
    cells = [next(csv.reader([text], delimiter=rows.delimiter)) for text in texts]
    values = [row[place] if place < len(row) else "" for row in cells]
    skipped = _fits_rule(pa.chunked_array([pa.array(values, pa.string())]), rule)
    return [row for row, skip in zip(odd, skipped, strict=True) if skip]
