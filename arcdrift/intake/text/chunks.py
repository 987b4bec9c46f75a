"""The rows of a log chunk by chunk, so that memory stays the same however long the log is.

A log of at most `WHOLE_BYTES` is one chunk, and everything about it stays in memory.
"""

import codecs
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from arcdrift.errors import BadInput
from arcdrift.intake.text.log_text import LogText
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES, Lines
from arcdrift.intake.text.raw_rows import Broken, NeedMore, RawRows

WHOLE_BYTES = 192 << 20
"""Largest text that is one chunk."""
CHUNK_BYTES = 64 << 20
"""Size of the chunks of a larger one."""
OVERLONG_BYTES = 16 << 20
"""A chunk of this size without one whole row holds an overlong line."""
_BLOCK_BYTES = 1 << 20

Divide = Callable[[bytes, RawRows | None, bool], RawRows]
"""Divides a chunk: its text, the rows of the chunk before, and whether more text follows."""


@dataclass(frozen=True)
class Chunk:
    """Some rows of a file; each row of a file belongs to exactly one chunk.

    Attributes
    ----------
    rows : RawRows
        The rows. Their line numbers are those in the file.
    start, size : int
        Position of its text in the file, and how many bytes were looked at.
    more : bool
        Whether more text followed.
    lines_before : int
        Lines of the file before it.
    head : RawRows, optional
        Header and delimiter as the chunk before had them; None for the first chunk.
    """

    rows: RawRows
    start: int
    size: int
    more: bool
    lines_before: int
    head: RawRows | None

    @property
    def is_whole_file(self) -> bool:
        """Whether it holds all rows of the file."""
        return self.head is None and not self.more

    def without_rows(self) -> "Chunk":
        """The chunk without what takes memory; `read_again` restores it."""
        return replace(self, rows=_emptied(self.rows))


def row_chunks(text: LogText, divide: Divide, *, at_once: bool = False) -> Iterator[Chunk]:
    """Divide a log into chunks that end between rows.

    The rows do not depend on where chunks end.

    Parameters
    ----------
    divide : callable
        Divides one chunk.
    at_once : bool
        Make it one chunk, however large it is.

    Raises
    ------
    BadInput
        When there is no header within reach, or `divide` refuses the text.
    """
    size = max(text.size, 1) if at_once or text.size <= WHOLE_BYTES else CHUNK_BYTES
    start, lines_before, length = 0, 0, size
    head: RawRows | None = None
    while start < text.size or head is None:
        content = text.read(start, length)
        more = start + len(content) < text.size
        try:
            rows = divide(content, head, more)
        except NeedMore:
            if length > max(size, OVERLONG_BYTES):
                raise BadInput(
                    f"{text.name} has no header in its first {length >> 20} MiB; "
                    f"is it a log in CSV form?"
                ) from None
            length *= 2
            continue
        used = len(rows.lines.data)
        if used == 0 and more and head is not None:
            if length < OVERLONG_BYTES:
                length *= 2
                continue
            line_start = max(content.rfind(b"\n"), content.rfind(b"\r")) + 1
            if len(content) - line_start <= MAX_LINE_BYTES:
                length *= 2  # the end of the file is all blank lines
                continue
            if line_start:
                content, more = content[:line_start], False
                rows, used = divide(content, head, more), line_start
            else:
                rows, used = _overlong_line(text, start, head)
        yield Chunk(_renumbered(rows, lines_before), start, len(content), more, lines_before, head)
        head = _emptied(rows)
        lines_before += len(rows.lines)
        start, length = start + used, size


def read_again(text: LogText, chunk: Chunk, divide: Divide) -> Chunk:
    """Restore the rows of a chunk."""
    rows = divide(text.read(chunk.start, chunk.size), chunk.head, chunk.more)
    return replace(chunk, rows=_renumbered(rows, chunk.lines_before))


def _emptied(rows: RawRows) -> RawRows:
    """Header and delimiter without the rows."""
    lines = Lines(b"", np.zeros(1, np.int64), np.zeros(0, np.int64))
    nothing = np.zeros(0, np.int64)
    return replace(
        rows,
        cells=rows.cells.slice(0, 0),
        first=nothing,
        last=nothing,
        broken=(),
        lines=lines,
        header_lines=0,
        blank_lines=0,
        skipped_lines=0,
    )


def _renumbered(rows: RawRows, lines_before: int) -> RawRows:
    """Rows of a chunk with the line numbers they have in the file."""
    if not lines_before:
        return rows
    return replace(
        rows,
        first=rows.first + lines_before,
        last=rows.last + lines_before,
        broken=tuple(
            Broken(row.first + lines_before, row.last + lines_before, row.code)
            for row in rows.broken
        ),
        lines=replace(rows.lines, before=lines_before),
    )


def _overlong_line(text: LogText, start: int, head: RawRows) -> tuple[RawRows, int]:
    """One overlong line as a broken row, and its size with its line end."""
    shown = text.read(start, MAX_LINE_BYTES + 1)
    decoder = codecs.getincrementaldecoder("utf-8")()
    has_nul = not_utf8 = False
    end = start
    while block := text.read(end, _BLOCK_BYTES):
        line_end = re.search(rb"\r\n?|\n", block)
        inside = block if line_end is None else block[: line_end.start()]
        has_nul |= b"\0" in inside
        try:
            decoder.decode(inside, final=line_end is not None)
        except UnicodeDecodeError:
            not_utf8 = True
        end += len(inside)
        if line_end is not None:
            end += 2 if text.read(end, 2) == b"\r\n" else 1
            break
    code = "nul-byte" if has_nul else "not-utf8" if not_utf8 else "line-long"
    lines = Lines(shown, np.array([0, len(shown)]), np.array([len(shown)]))
    rows = replace(head, broken=(Broken(0, 0, code),), lines=lines)
    return rows, end - start
