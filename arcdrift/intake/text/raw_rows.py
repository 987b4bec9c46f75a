"""Text to numbered raw rows: delimiter, quotes, and lines that cannot be read.

Plain rows, nearly all of a sound file, are parsed in bulk; the others go the careful way of
`arcdrift.intake.text.multiline_rows`. Every physical line ends up in exactly one place.
"""

import csv
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from arcdrift.arrays import Ints
from arcdrift.errors import BadInput
from arcdrift.intake.text.multiline_rows import MAX_ROW_LINES, pieces
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES, Lines, Look, look, split

DELIMITERS = (",", ";", "\t")


@dataclass(frozen=True)
class Broken:
    """A row that cannot be divided into cells: its lines (0-based, inclusive) and why."""

    first: int
    last: int
    code: str


@dataclass(frozen=True)
class RawRows:
    """What a file holds, before anything is made of it.

    Attributes
    ----------
    header : tuple of str
        Column names as written, trimmed.
    cells : pyarrow.Table
        One text column a header name, by position; one row a sound row, in file order.
    first, last : array of int64
        Lines of each sound row, 0-based and inclusive.
    broken : tuple of Broken
        The rows that could not be read, in file order.
    lines : Lines
        The physical lines, for the raw text of any row.
    header_lines, blank_lines, skipped_lines : int
        Lines that are no row. A header repeated further down counts as header.
    delimiter : str
        What parts the cells.
    width : int
        Cells of the header, those without a name among them.
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


class NeedMore(Exception):
    """The first piece of a file ends before its header does."""


def read_rows(
    content: bytes,
    name: str,
    *,
    delimiter: str | None = None,
    skip_lines: int = 0,
    skip_after_header: int = 0,
    more: int | None = None,
) -> RawRows:
    """Divide the text of a file, or its first piece, into rows of cells.

    Parameters
    ----------
    content : bytes
        UTF-8 text, from `arcdrift.intake.containers.files`.
    name : str
        File name for messages.
    delimiter : str, optional
        One of `DELIMITERS`; default the one that parts the header into most cells.
    skip_lines, skip_after_header : int
        Physical lines to pass over before the header and right after it.
    more : int, optional
        Given when more of the file follows: how many lines with something in them must be left
        to what follows. Rows that the missing text might change are left to it as well; the
        lines of the result end where it has to go on.

    Raises
    ------
    BadInput
        When the file is empty or its header cannot be used.
    NeedMore
        When the piece ends before the rows begin.
    """
    lines = split(content)
    known = _known(lines, more)
    at = min(skip_lines, known)
    skipped, blank = at, 0
    while at < known and not lines.text(at).strip():
        at, blank = at + 1, blank + 1
    body = at + 1 + skip_after_header
    if more is not None and body > known:
        raise NeedMore
    if at == known:
        raise BadInput(f"{name} is empty.")
    written, delimiter = _header(lines, at, name, delimiter)
    header = tuple(written[: _named(written, name)])
    body = min(body, known)
    skipped += body - at - 1
    rows = _divided(lines, header, delimiter, len(written), body, known, final=more is None)
    return replace(
        rows,
        header_lines=rows.header_lines + 1,
        blank_lines=rows.blank_lines + blank,
        skipped_lines=skipped,
    )


def read_on(content: bytes, before: RawRows, *, more: int | None = None) -> RawRows:
    """Divide a later piece of a file into rows as the first one was.

    Parameters
    ----------
    content : bytes
        What the piece before left over, and what follows it.
    before : RawRows
        From `read_rows`.
    more : int, optional
        As for `read_rows`.
    """
    lines = split(content)
    known = _known(lines, more)
    return _divided(
        lines, before.header, before.delimiter, before.width, 0, known, final=more is None
    )


def _known(lines: Lines, more: int | None) -> int:
    """Lines that are whole for certain and not among those to be left over."""
    if more is None:
        return len(lines)
    known = max(len(lines) - 1, 0)
    while more and known:
        known -= 1
        more -= bool(lines.text(known).strip())
    return known


def _divided(
    lines: Lines,
    header: tuple[str, ...],
    delimiter: str,
    width: int,
    body: int,
    known: int,
    *,
    final: bool,
) -> RawRows:
    """Divide the lines from `body` on; not `final`: leave over what may go on after them."""
    lines = lines.head(known)
    seen = look(lines, delimiter, width)
    plain = seen.plain.copy()
    plain[:body] = False
    broken, careful, blank, end = _with_care(
        lines, seen, plain, body, delimiter, width, len(header), final=final
    )
    lines, plain = lines.head(end), plain[:end]
    first = last = np.flatnonzero(plain)
    cells = _in_bulk(lines, plain, delimiter, width)
    cells, overfull = _named_only(cells, len(header))
    broken += [Broken(line, line, "cells-extra") for line in first[overfull].tolist()]
    first = last = first[~overfull]
    if careful:
        rows, firsts, lasts = zip(*careful, strict=True)
        columns = zip(*rows, strict=True)
        more = pa.table([pa.array(c, pa.string()) for c in columns], names=cells.column_names)
        first = np.concatenate([first, np.array(firsts, np.int64)])
        last = np.concatenate([last, np.array(lasts, np.int64)])
        order = np.argsort(first, kind="stable")
        cells = pa.concat_tables([cells, more]).take(pa.array(order))
        first, last = first[order], last[order]

    empty, again = _empty(cells), _repeats(cells, header)
    blank += int((last - first + 1)[empty].sum())
    header_lines = int((last - first + 1)[again].sum())
    keep = ~(empty | again)
    if not keep.all():
        cells, first, last = cells.filter(pa.array(keep)), first[keep], last[keep]
    return RawRows(
        header=header,
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
    )


def _header(lines: Lines, at: int, name: str, delimiter: str | None) -> tuple[list[str], str]:
    data = lines.data[lines.starts[at] : lines.ends[at]]
    if len(data) > MAX_LINE_BYTES or b"\0" in data:
        raise BadInput(f"{name} is not a text table; export the log as CSV.")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise BadInput(f"The header of {name} is not UTF-8 text; save it as CSV UTF-8.") from None
    choices = [delimiter] if delimiter else DELIMITERS
    chosen = max(choices, key=lambda choice: len(next(csv.reader([text], delimiter=choice))))
    try:
        cells = next(csv.reader([text], delimiter=chosen, strict=True))
    except csv.Error:
        raise BadInput(
            f"The header of {name}, line {at + 1}, has an unclosed quote; close it."
        ) from None
    return [cell.strip() for cell in cells], chosen


def _named(written: list[str], name: str) -> int:
    """Count the named columns; only columns at the end may lack a name."""
    named = len(written)
    while named and not written[named - 1]:
        named -= 1
    if not named:
        raise BadInput(f"The first line of {name} names no columns; add the header.")
    if "" in written[:named]:
        raise BadInput(f"Column {written.index('') + 1} of {name} has no name in the header.")
    repeated = [cell for cell, times in Counter(written[:named]).items() if times > 1]
    if repeated:
        raise BadInput(f"The header of {name} has the column {repeated[0]!r} more than once.")
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


def _with_care(
    lines: Lines,
    seen: Look,
    plain: np.ndarray,
    body: int,
    delimiter: str,
    width: int,
    named: int,
    *,
    final: bool,
) -> tuple[list[Broken], list[tuple[list[str], int, int]], int, int]:
    """Work through the lines that are not plain rows, one run of readable lines at a time.

    The last result is where the lines end that nothing after them can change: the last run may
    go on unless it is `final`.
    """
    broken: list[Broken] = []
    rows: list[tuple[list[str], int, int]] = []
    blank, end = 0, len(lines)
    unreadable = seen.nul | seen.not_utf8 | seen.too_long
    odd = np.flatnonzero(~plain[body:]) + body
    for line in odd[unreadable[odd]].tolist():
        code = "nul-byte" if seen.nul[line] else "not-utf8" if seen.not_utf8[line] else "line-long"
        broken.append(Broken(line, line, code))
    readable = odd[~unreadable[odd]]
    for run in np.split(readable, np.flatnonzero(np.diff(readable) > 1) + 1):
        texts = [lines.text(line) for line in run.tolist()]
        goes_on = not final and len(run) > 0 and run[-1] == len(lines) - 1
        for piece in pieces(texts, delimiter, width, named):
            if goes_on and piece.first + MAX_ROW_LINES > len(run):
                end = int(run[0]) + piece.first
                break
            first, last = int(run[0]) + piece.first, int(run[0]) + piece.last
            if piece.cells is not None:
                rows.append((piece.cells, first, last))
            elif piece.code == "blank":
                blank += last - first + 1
            else:
                broken.append(Broken(first, last, piece.code))
    return broken, rows, blank, end


def _named_only(cells: pa.Table, named: int) -> tuple[pa.Table, np.ndarray]:
    """Drop the unnamed columns at the end; say which rows have something in them."""
    overfull = np.zeros(cells.num_rows, bool)
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


def _repeats(cells: pa.Table, header: tuple[str, ...]) -> np.ndarray:
    rows = np.ones(cells.num_rows, bool)
    for column, name in zip(cells.columns, header, strict=True):
        rows &= np.asarray(pc.equal(pc.utf8_trim_whitespace(column), name), dtype=bool)
        if not rows.any():
            break
    return rows
