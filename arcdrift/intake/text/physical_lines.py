"""Find the physical lines of a text and check them in bulk.

A line ends with LF, CR LF or a CR alone, as editors count lines. Everything is vectorized: a
million lines take about a second.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from arcdrift.arrays import Bools, Ints

LF, CR, QUOTE, NUL = 10, 13, 34, 0
MAX_LINE_BYTES = 65_536
_BLOCK_BYTES = 8 << 20


@dataclass(frozen=True)
class Lines:
    """A text and where each of its physical lines begins and ends.

    Attributes
    ----------
    data : bytes
        The text without a byte order mark.
    starts : array of int64
        Position of the first byte of each line, and of the end of the text.
    ends : array of int64
        Position after the last byte of each line, its line end left out.
    before : int
        Lines of the file before these, if they are a chunk of it.
    """

    data: bytes
    starts: Ints
    ends: Ints
    before: int = 0

    def __len__(self) -> int:
        return len(self.ends)

    @cached_property
    def bytes_(self) -> npt.NDArray[np.uint8]:
        """The bytes as an array, without a copy."""
        return np.frombuffer(self.data, np.uint8)

    def head(self, count: int) -> "Lines":
        """The first `count` lines."""
        if count == len(self):
            return self
        end = int(self.starts[count])
        return Lines(self.data[:end], self.starts[: count + 1], self.ends[:count], self.before)

    def text(self, line: int) -> str:
        """One line (0-based); bytes that are not UTF-8 show as hexadecimal escapes."""
        line -= self.before
        return self.data[self.starts[line] : self.ends[line]].decode("utf-8", "backslashreplace")

    def raw(self, first: int, last: int) -> str:
        """Lines `first` to `last` (0-based, inclusive) as text to store and show.

        NUL bytes show as ␀; a text longer than the longest line allowed is cut.
        """
        begin, end = self.starts[first - self.before], self.ends[last - self.before]
        return shown(self.data[begin : min(end, begin + MAX_LINE_BYTES + 1)])


def shown(data: bytes) -> str:
    """Bytes of a row, or the first `MAX_LINE_BYTES` + 1 of them, as text to store and show."""
    text = data.decode("utf-8", "backslashreplace").replace("\0", "\u2400")
    return text if len(data) <= MAX_LINE_BYTES else text[:MAX_LINE_BYTES] + " ... (cut)"


def split(data: bytes) -> Lines:
    """Find the physical lines of a text."""
    array = np.frombuffer(data, np.uint8)
    breaks = np.flatnonzero(array == LF)
    if CR in data:
        returns = np.flatnonzero(array == CR)
        following = np.append(array, np.uint8(0))[returns + 1]
        lone = returns[following != LF]
        if len(lone):
            breaks = np.sort(np.concatenate([breaks, lone]))
    starts = np.concatenate([[0], breaks + 1]).astype(np.int64)
    ends = breaks.astype(np.int64)
    if starts[-1] < len(data):
        ends = np.append(ends, len(data))
        starts = np.append(starts, len(data))
    if CR in data and len(breaks):
        crlf = (array[breaks] == LF) & (breaks > 0) & (array[np.maximum(breaks - 1, 0)] == CR)
        ends[: len(breaks)] -= crlf & (ends[: len(breaks)] > starts[: len(breaks)])
    return Lines(data, starts, ends)


@dataclass(frozen=True)
class LineChecks:
    """What was found about each line; every array has one entry per line.

    Attributes
    ----------
    plain : array of bool
        The line is a whole row by itself: right number of cells, quotes around whole cells.
    nul, not_utf8, too_long : array of bool
        The line cannot be read, for this reason.
    """

    plain: Bools
    nul: Bools
    not_utf8: Bools
    too_long: Bools


def check_lines(lines: Lines, delimiter: str, cells: int) -> LineChecks:
    """Check every line.

    Parameters
    ----------
    delimiter : str
        One ASCII character.
    cells : int
        Number of cells of a whole row.
    """
    count = len(lines)
    checks = LineChecks(*(np.zeros(count, bool) for _ in range(4)))
    first = 0
    while first < count:
        last = int(np.searchsorted(lines.starts, lines.starts[first] + _BLOCK_BYTES))
        last = min(max(last, first + 1), count)
        _check_block(lines, slice(first, last), ord(delimiter), cells, checks)
        first = last
    return checks


def _check_block(lines: Lines, part: slice, delimiter: int, cells: int, checks: LineChecks) -> None:
    begin = int(lines.starts[part.start])
    end = int(lines.starts[part.stop])
    block = lines.bytes_[begin:end]
    starts = lines.starts[part.start : part.stop + 1] - begin
    ends = lines.ends[part] - begin

    positions = np.flatnonzero(block == delimiter)
    delimiters = np.diff(np.searchsorted(positions, starts))
    well_quoted = np.ones(len(ends), bool)
    quotes = np.flatnonzero(block == QUOTE)
    if len(quotes):
        well_quoted, inside = _check_quotes(
            block, starts, ends, quotes, positions, delimiters, delimiter
        )
        delimiters = delimiters - inside
    checks.too_long[part] = ends - starts[:-1] > MAX_LINE_BYTES
    if not block.all():
        checks.nul[part] = np.diff(np.searchsorted(np.flatnonzero(block == NUL), starts)) > 0
    checks.not_utf8[part] = _not_utf8(lines.data[begin:end], block, starts)
    unreadable = checks.too_long[part] | checks.nul[part] | checks.not_utf8[part]
    checks.plain[part] = (delimiters == cells - 1) & well_quoted & ~unreadable


def _check_quotes(
    block: npt.NDArray[np.uint8],
    starts: Ints,
    ends: Ints,
    quotes: Ints,
    positions: Ints,
    delimiters: Ints,
    delimiter: int,
) -> tuple[Bools, Ints]:
    """Whether the quotes of each line enclose whole cells, and the delimiters inside quotes."""
    count = np.diff(np.searchsorted(quotes, starts))
    lines = np.arange(len(ends))
    line = np.repeat(lines, count)
    closing = (np.arange(len(quotes)) - np.repeat(np.cumsum(count) - count, count)) % 2 == 1
    before = block[np.maximum(quotes - 1, 0)]
    after = block[np.minimum(quotes + 1, len(block) - 1)]
    # two quotes in a row stand for one quote inside a cell
    opens_well = (before == delimiter) | (before == QUOTE) | (quotes == starts[line])
    closes_well = (after == delimiter) | (after == QUOTE) | (quotes + 1 == ends[line])
    misplaced = np.bincount(line[~np.where(closing, closes_well, opens_well)], minlength=len(ends))

    parity = np.cumsum((block == QUOTE).view(np.uint8), dtype=np.uint8)
    line_of = np.repeat(lines, delimiters)
    at_start = parity[starts[:-1]] - (block[starts[:-1]] == QUOTE)
    within = ((parity[positions] - at_start[line_of]) & 1).astype(bool)
    inside = np.bincount(line_of[within], minlength=len(ends))
    return (misplaced == 0) & (count % 2 == 0), inside


def _not_utf8(data: bytes, block: npt.NDArray[np.uint8], starts: Ints) -> Bools:
    bad = np.zeros(len(starts) - 1, bool)
    if data.isascii():
        return bad
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        suspects = np.diff(np.searchsorted(np.flatnonzero(block >= 128), starts)) > 0
        for line in np.flatnonzero(suspects):
            try:
                data[starts[line] : starts[line + 1]].decode("utf-8")
            except UnicodeDecodeError:
                bad[line] = True
    return bad
