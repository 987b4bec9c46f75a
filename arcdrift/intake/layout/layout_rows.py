"""The rows of a file as its layout has them: the header found, lines passed over and counted."""

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
"""Lines at the beginning of a file among which the header is looked for."""
_HEAD_BYTES = 1 << 18
"""Enough of a file for its header and what precedes it."""
_OF_OTHER_WIDTH = ("cells-missing", "cells-extra")


def lines_before_header(content: bytes, layout: Layout, name: str) -> int:
    """Count the lines before the header of a file.

    Raises
    ------
    BadInput
        When no line begins the way the layout says.
    """
    if layout.header_starts_with is None:
        return layout.skip_lines
    wanted = _plain(layout.header_starts_with)
    for number, line in enumerate(first_lines(content)):
        if _plain(line).startswith(wanted):
            return number
    raise BadInput(
        f"{name} has no line that starts with {layout.header_starts_with!r} among its first "
        f"{SEARCHED_LINES}, as the layout {layout.name} has it; correct header_starts_with or "
        f"choose another layout."
    )


def headers_under(content: bytes, layout: Layout, name: str) -> tuple[str, ...] | None:
    """Headers of a file read with a layout, None where there are none to be read."""
    head = content[:_HEAD_BYTES]
    if len(content) > len(head):
        head = head[: max(head.rfind(b"\n"), head.rfind(b"\r")) + 1]
    try:
        return read_rows(
            head,
            name,
            delimiter=layout.separator,
            skip_lines=lines_before_header(head, layout, name),
        ).header
    except BadInput:
        return None


def first_lines(content: bytes) -> Iterator[str]:
    """The first lines of a file, without their line ends."""
    end, begin = 0, 0
    for _ in range(SEARCHED_LINES):
        ends = [at for at in (content.find(b"\n", begin), content.find(b"\r", begin)) if at >= 0]
        end = min(ends, default=len(content))
        if begin == end == len(content):
            return
        yield content[begin:end].decode("utf-8", "replace")
        begin = end + (2 if content[end : end + 2] == b"\r\n" else 1)


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
            lines |= starting(rows.lines, rule.starts_with)
    here = lines[rows.first]
    over = [row for row in rows.broken if lines[row.first]]
    for rule in layout.skip:
        if rule.header is not None:
            here |= _met(rows.cells.column(rows.header.index(rule.header)), rule)
            over += _broken_met(rows, rule)
    gone = {row.first for row in over}
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
    """The last lines with something in them."""
    found = np.zeros(len(lines), bool)
    line = len(lines) - 1
    while count and line >= 0:
        if lines.text(line).strip():
            found[line] = True
            count -= 1
        line -= 1
    return found


def starting(lines: Lines, words: str | tuple[str, ...]) -> Bools:
    """Which lines start with one of some words, a quote before them left aside."""
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
    at = np.flatnonzero(found)
    for offset, (small, big) in enumerate(zip(lower, upper, strict=True)):
        there = lines.bytes_[lines.starts[at] + offset]
        at = at[(there == small) | (there == big)]
    found[:] = False
    found[at] = True
    return found


def _met(cells: pa.ChunkedArray, rule: SkipRule) -> Bools:
    cells = pc.utf8_trim_whitespace(cells)
    if rule.matches is not None:
        met = pc.match_substring_regex(cells, rule.matches, ignore_case=True)
    elif rule.equals:
        words = pa.array([word.lower() for word in rule.equals], pa.string())
        met = pc.is_in(pc.utf8_lower(cells), words)
    else:
        met = pc.starts_with(cells, rule.starts_with[0], ignore_case=True)
        for word in rule.starts_with[1:]:
            met = pc.or_(met, pc.starts_with(cells, word, ignore_case=True))
    return np.array(pc.fill_null(met, False).to_numpy(), dtype=bool)


def _broken_met(rows: RawRows, rule: SkipRule) -> list[Broken]:
    """Rows of another width that a rule passes over."""
    odd = [row for row in rows.broken if row.code in _OF_OTHER_WIDTH]
    place = rows.header.index(rule.header or "")
    texts = (rows.lines.text(row.first) for row in odd)
    cells = [next(csv.reader([text], delimiter=rows.delimiter)) for text in texts]
    theirs = [row[place] if place < len(row) else "" for row in cells]
    met = _met(pa.chunked_array([pa.array(theirs, pa.string())]), rule)
    return [row for row, found in zip(odd, met, strict=True) if found]
