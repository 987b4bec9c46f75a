"""Divide text into numbered raw rows: delimiter, quotes, and lines that cannot be read.

Lines that are one row each are parsed in bulk; the others are divided by
`arcdrift.intake.text.multiline_rows`. Every physical line is counted in exactly one place.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from arcdrift.arrays import Ints
from arcdrift.errors import BadInput
from arcdrift.intake.text.multiline_rows import MAX_ROW_LINES, multiline_rows
from arcdrift.intake.text.physical_lines import (
    MAX_LINE_BYTES,
    LineChecks,
    Lines,
    check_lines,
    split,
)

# Arrow's own handling of Ctrl-C loses a press that comes as a short call ends; Python's loses none
pa.enable_signal_handlers(False)

DELIMITERS = (",", ";", "\t")
MAX_HEADER_LINES = 10
"""Most lines of a header whose quoted names have line breaks."""
_NO_DECIMAL_SIGN = (";", "\t")
"""Delimiters that do not divide a number, so that what stands below no name is a column."""


@dataclass(frozen=True)
class Broken:
    """A row that cannot be divided into cells: its lines (0-based, inclusive) and why."""

    first: int
    last: int
    code: str


@dataclass(frozen=True)
class RawRows:
    """The rows of a text as cells of text.

    Attributes
    ----------
    header : tuple of str
        Column names, trimmed; "" for a column without a name. A name that comes again has its
        number behind it: Loss, Loss 2.
    cells : pyarrow.Table
        One column of text per header name, in order; one row per readable row, in file order.
    first, last : array of int64
        Lines of each readable row, 0-based and inclusive.
    broken : tuple of Broken
        The rows that could not be read, in file order.
    lines : Lines
        The physical lines, which have the raw text of any row.
    header_lines, blank_lines, skipped_lines : int
        Lines that are not rows. A header repeated further down counts as header.
    delimiter : str
        Character between cells.
    width : int
        Cells of the header, including those without a name at the end.
    written : tuple of str
        The header as it is written, without those.
    filled_unnamed : tuple of int
        Columns at the end that have values but no name, counted from 1; they are left out.
    """

    header: tuple[str, ...]
    cells: pa.Table
    first: Ints
    last: Ints
    broken: tuple[Broken, ...]
    lines: Lines
    header_lines: int
    blank_lines: int
    skipped_lines: int
    delimiter: str
    width: int
    written: tuple[str, ...]
    filled_unnamed: tuple[int, ...]


class NeedMore(Exception):
    """The first chunk of a file ends before its rows begin."""


def read_rows(
    content: bytes,
    name: str,
    *,
    delimiter: str | None = None,
    skip_lines: int = 0,
    header_lines: int = 1,
    skip_after_header: int = 0,
    more: int | None = None,
) -> RawRows:
    """Divide the text of a file, or its first chunk, into rows of cells.

    Parameters
    ----------
    content : bytes
        UTF-8 text, from `arcdrift.intake.containers.files`.
    name : str
        File name for messages.
    delimiter : str, optional
        One of `DELIMITERS`; default the one that divides the header into most cells.
    skip_lines, skip_after_header : int
        Physical lines to skip before the header and right after it.
    header_lines : int
        Physical lines of the header; the names of a column in them are joined.
    more : int, optional
        Given if more text follows: how many lines that are not blank must be left to the next
        chunk. Rows that the missing text might change are left to it too; the lines of the result
        end where the next chunk has to start.

    Raises
    ------
    BadInput
        When the file is empty or its header cannot be used.
    NeedMore
        When the chunk ends before the rows begin.
    """
    lines = split(content)
    known = _known(lines, more)
    header_line = min(skip_lines, known)
    skipped, blank = header_line, 0
    while header_line < known and not lines.text(header_line).strip():
        header_line, blank = header_line + 1, blank + 1
    last = header_line if header_lines > 1 else _last_header_line(lines, header_line, known)
    header_lines = max(header_lines, last - header_line + 1)
    body = header_line + header_lines + skip_after_header
    if more is not None and body > known:
        raise NeedMore
    if header_line == known:
        raise BadInput(f"{name} is empty.")
    cells, delimiter = _header(lines, header_line, last, name, delimiter)
    if last == header_line and header_lines > 1:
        end = min(header_line + header_lines, known)
        below = range(header_line + 1, end)
        named = (_header(lines, line, line, name, delimiter)[0] for line in below)
        cells = joined_header([cells, *named])
    written = tuple(cells[: _named(cells, name)])
    body = min(body, known)
    skipped += max(body - header_line - header_lines, 0)
    rows = _divided(lines, written, delimiter, len(cells), body, known, final=more is None)
    return replace(
        rows,
        header_lines=rows.header_lines + min(header_lines, body - header_line),
        blank_lines=rows.blank_lines + blank,
        skipped_lines=skipped,
    )


def joined_header(lines: Sequence[Sequence[str]]) -> list[str]:
    """Names of columns whose header has several lines.

    A name above stands for all columns up to the next one, as a merged cell does, if these have
    names below it.
    """
    width = max(map(len, lines))
    rows = [[*(cell.strip() for cell in line), *[""] * (width - len(line))] for line in lines]
    for above, below in pairwise(rows):
        for column in range(1, width):
            if not above[column] and below[column]:
                above[column] = above[column - 1]
    return [" ".join(filter(None, names)) for names in zip(*rows, strict=True)]


def read_on(content: bytes, before: RawRows, *, more: int | None = None) -> RawRows:
    """Divide a later chunk of a file into rows like the first one.

    Parameters
    ----------
    content : bytes
        The text from where the lines of the chunk before end.
    before : RawRows
        From `read_rows`.
    more : int, optional
        As for `read_rows`.
    """
    lines = split(content)
    known = _known(lines, more)
    return _divided(
        lines, before.written, before.delimiter, before.width, 0, known, final=more is None
    )


def _known(lines: Lines, more: int | None) -> int:
    """Number of lines that are complete and need not be left to the next chunk."""
    if more is None:
        return len(lines)
    known = max(len(lines) - 1, 0)
    while more and known:
        known -= 1
        more -= bool(lines.text(known).strip())
    return known


def numbered(written: Sequence[str]) -> tuple[str, ...]:
    """Column names of which each is there once: one that comes again gets a number."""
    used: set[str] = set()
    last = dict.fromkeys(written, 1)
    names = []
    for name in written:
        distinct, number = name, last[name]
        while name and (distinct in used or (number > 1 and distinct in last)):
            number += 1
            distinct = f"{name} {number}"
        last[name] = number
        used.add(distinct)
        names.append(distinct)
    return tuple(names)


def _divided(
    lines: Lines,
    written: tuple[str, ...],
    delimiter: str,
    width: int,
    body: int,
    known: int,
    *,
    final: bool,
) -> RawRows:
    """Divide the lines from `body` on; unless `final`, leave out rows that may continue."""
    lines = lines.head(known)
    checks = check_lines(lines, delimiter, width)
    plain = checks.plain.copy()
    plain[:body] = False
    broken, multiline, blank, end = _divide_other_lines(
        lines, checks, plain, body, delimiter, len(written), width, final=final
    )
    lines, plain = lines.head(end), plain[:end]
    first = last = np.flatnonzero(plain)
    cells = _in_bulk(lines, plain, delimiter, width)
    unnamed = range(len(written), width if delimiter in _NO_DECIMAL_SIGN else 0)
    filled = tuple(number + 1 for number in unnamed if not _blank(cells.column(number)).all())
    cells, overfull = _named_only(cells, len(written), delimiter)
    broken += [Broken(line, line, "cells-extra") for line in first[overfull].tolist()]
    first = last = first[~overfull]
    if multiline:
        rows, firsts, lasts = zip(*multiline, strict=True)
        columns = zip(*rows, strict=True)
        table = pa.table([pa.array(c, pa.string()) for c in columns], names=cells.column_names)
        first = np.concatenate([first, np.array(firsts, np.int64)])
        last = np.concatenate([last, np.array(lasts, np.int64)])
        order = np.argsort(first, kind="stable")
        cells = pa.concat_tables([cells, table]).take(pa.array(order))
        first, last = first[order], last[order]

    empty, repeated = _empty(cells), _repeats(cells, written)
    blank += int((last - first + 1)[empty].sum())
    header_lines = int((last - first + 1)[repeated].sum())
    keep = ~(empty | repeated)
    if not keep.all():
        cells, first, last = cells.filter(pa.array(keep)), first[keep], last[keep]
    return RawRows(
        header=numbered(written),
        cells=cells,
        first=first,
        last=last,
        broken=tuple(sorted(broken, key=lambda row: row.first)),
        lines=lines,
        header_lines=header_lines,
        blank_lines=blank,
        skipped_lines=0,
        delimiter=delimiter,
        width=width,
        written=written,
        filled_unnamed=filled,
    )


def _last_header_line(lines: Lines, line: int, known: int) -> int:
    """The line in which a header ends; a later one if a quoted name goes on there.

    A line that looks like a row, as it has a delimiter before the quote is closed, is never taken
    for a part of a name.
    """
    is_open = line < known and lines.text(line).count('"') % 2 == 1
    for below in range(line + 1, min(line + MAX_HEADER_LINES, known) if is_open else 0):
        text = lines.text(below)
        if any(mark in text.partition('"')[0] for mark in DELIMITERS):
            break
        if text.count('"') % 2 == 1:
            return below
    return line


def _header(
    lines: Lines, first: int, last: int, name: str, delimiter: str | None
) -> tuple[list[str], str]:
    data = lines.data[lines.starts[first] : lines.ends[last]]
    if len(data) > MAX_LINE_BYTES or b"\0" in data:
        raise BadInput(f"{name} is not a text table; export the log as CSV.")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise BadInput(f"The header of {name} is not UTF-8 text; save it as CSV UTF-8.") from None
    choices = [delimiter] if delimiter else DELIMITERS
    chosen = max(choices, key=lambda choice: len(_first_row(text, choice)))
    try:
        cells = _first_row(text, chosen, strict=True)
    except csv.Error:
        raise BadInput(
            f"The header of {name}, line {first + 1}, has an unclosed quote; close it."
        ) from None
    return [" ".join(cell.splitlines()).strip() for cell in cells], chosen


def _first_row(text: str, delimiter: str, *, strict: bool = False) -> list[str]:
    return next(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=strict))


def _named(written: list[str], name: str) -> int:
    """Count the columns up to the last one with a name."""
    named = len(written)
    while named and not written[named - 1]:
        named -= 1
    if not named:
        raise BadInput(f"The first line of {name} names no columns; add the header.")
    return named


def _in_bulk(lines: Lines, plain: np.ndarray, delimiter: str, width: int) -> pa.Table:
    names = [str(number) for number in range(width)]
    sizes = np.diff(lines.starts)
    wanted = int(sizes[plain].sum())
    if wanted == 0:
        return pa.table([pa.array([], pa.string())] * width, names=names)
    first = int(np.flatnonzero(plain)[0])
    begin = int(lines.starts[first])
    if plain[first:].all():
        data = pa.py_buffer(lines.data).slice(begin)
    else:
        data = pa.py_buffer(lines.bytes_[begin:][np.repeat(plain[first:], sizes[first:])])
    return arrow_csv.read_csv(
        pa.BufferReader(data),
        arrow_csv.ReadOptions(column_names=names, block_size=4 << 20),
        arrow_csv.ParseOptions(delimiter=delimiter, ignore_empty_lines=False),
        arrow_csv.ConvertOptions(
            check_utf8=False,
            column_types=dict.fromkeys(names, pa.string()),
            strings_can_be_null=False,
        ),
    )


def _divide_other_lines(
    lines: Lines,
    checks: LineChecks,
    plain: np.ndarray,
    body: int,
    delimiter: str,
    named: int,
    width: int,
    *,
    final: bool,
) -> tuple[list[Broken], list[tuple[list[str], int, int]], int, int]:
    """Divide the lines that are not one row each, one run of readable lines at a time.

    Returns the broken rows; the cells, first and last line of the others; the number of blank
    lines; and how many lines are complete, as the last run may continue unless it is `final`.
    """
    broken: list[Broken] = []
    rows: list[tuple[list[str], int, int]] = []
    blank, end = 0, len(lines)
    most = width if delimiter in _NO_DECIMAL_SIGN else named
    unreadable = checks.nul | checks.not_utf8 | checks.too_long
    odd = np.flatnonzero(~plain[body:]) + body
    for line in odd[unreadable[odd]].tolist():
        code = (
            "nul-byte" if checks.nul[line] else "not-utf8" if checks.not_utf8[line] else "line-long"
        )
        broken.append(Broken(line, line, code))
    readable = odd[~unreadable[odd]]
    for run in np.split(readable, np.flatnonzero(np.diff(readable) > 1) + 1):
        texts = [lines.text(line) for line in run.tolist()]
        continues = not final and len(run) > 0 and run[-1] == len(lines) - 1
        for row in multiline_rows(texts, delimiter, named, most):
            if continues and row.first + MAX_ROW_LINES > len(run):
                end = int(run[0]) + row.first
                break
            first, last = int(run[0]) + row.first, int(run[0]) + row.last
            if row.cells is not None:
                rows.append((row.cells, first, last))
            elif row.code == "blank":
                blank += last - first + 1
            else:
                broken.append(Broken(first, last, row.code))
    return broken, rows, blank, end


def _named_only(cells: pa.Table, named: int, delimiter: str) -> tuple[pa.Table, np.ndarray]:
    """Drop the columns without a name at the end; return also which rows have too many cells.

    Where a decimal comma may have divided a number, these are all rows with a value in them.
    """
    overfull = np.zeros(cells.num_rows, bool)
    if delimiter in _NO_DECIMAL_SIGN:
        return cells.select(list(range(named))), overfull
    for number in range(named, cells.num_columns):
        overfull |= ~_blank(cells.column(number))
    cells = cells.select(list(range(named)))
    return (cells.filter(pa.array(~overfull)) if overfull.any() else cells), overfull


def _blank(column: pa.ChunkedArray) -> np.ndarray:
    trimmed = pc.utf8_trim_whitespace(column)
    return np.asarray(pc.equal(pc.binary_length(trimmed), 0), dtype=bool)


def _empty(cells: pa.Table) -> np.ndarray:
    rows = np.ones(cells.num_rows, bool)
    for column in cells.columns:
        rows &= _blank(column)
        if not rows.any():
            break
    return rows


def _repeats(cells: pa.Table, written: tuple[str, ...]) -> np.ndarray:
    rows = np.ones(cells.num_rows, bool)
    for column, name in zip(cells.columns, written, strict=True):
        rows &= np.asarray(pc.equal(pc.utf8_trim_whitespace(column), name), dtype=bool)
        if not rows.any():
            break
    return rows
