"""Quarantined rows out to a spreadsheet, and back in as rows that know what they mend.

The file keeps the header and the cells of the log they came from, behind columns of our own
that say which row it was, what is wrong and how to mend it. Importing it leaves those columns
out. A cell that a spreadsheet would run as a formula or rewrite (a date, a code with leading
zeros) gets an apostrophe in front, which importing takes off again, in such a file only.
"""

import csv
import io
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.intake.layout.layouts import Layout
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES
from arcdrift.intake.text.raw_rows import DELIMITERS, RawRows, read_rows

OWN = ("arcdrift import", "arcdrift file", "arcdrift line", "arcdrift problem", "arcdrift mend")
"""Headers of our own columns; the first and the third say which row it was."""
_PLAIN = re.compile(r"-?(0|[1-9][0-9]{0,13})(\.[0-9]{1,15})?|[^\W\d_][^\d=+@|]*")


@dataclass(frozen=True)
class MendedRows(RawRows):
    """Rows of a corrected export.

    Attributes
    ----------
    mends : dict of int to tuple
        Import, file and line of the quarantined row that the row beginning on a line
        (0-based) mends.
    """

    mends: dict[int, tuple[int, str, int]]

    def raw(self, first: int, last: int) -> str:
        """Text of a row without our own columns."""
        text = self.lines.raw(first, last)
        cells = _parted(text[: MAX_LINE_BYTES + 1], self.delimiter)[_own(self.lines.text(0)) :]
        return _joined([_bare(cell) for cell in cells], self.delimiter)


def is_export(content: bytes) -> bool:
    """Whether a file is one that `export` wrote, whatever saved it since."""
    begin = content.removeprefix(b"\xef\xbb\xbf").lstrip(b'"')[: len(OWN[0])]
    return begin.lower() == OWN[0].encode()


def export_rows(content: bytes, name: str, layout: Layout | None) -> MendedRows:
    """Divide a corrected export into rows of the log's own cells.

    Raises
    ------
    BadInput
        When the header cannot be used.
    """
    rows = read_rows(content, name)
    own = sum(header.lower() in OWN for header in rows.header)
    mends = dict(_sources(rows, own))
    cells = [_bared(column) for column in rows.cells.columns[own:]]
    names = [str(number) for number in range(len(cells))]
    values: dict[str, Any] = {part.name: getattr(rows, part.name) for part in fields(RawRows)}
    values |= {"header": rows.header[own:], "cells": pa.table(cells, names=names)}
    if layout is not None:
        layout.check_headers(values["header"], name)
    return MendedRows(**values, mends=mends)


def export(rows: pd.DataFrame, header: Sequence[str]) -> str:
    """Text of one file for rows that came under the same header.

    Parameters
    ----------
    rows : DataFrame
        From `arcdrift.store.read.quarantined`.
    header : sequence of str
        The header cells of their logs.
    """
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\r\n")
    write.writerow([*OWN, *map(guarded, header)])
    wanted = ["import_id", "file_name", "line", "code", "message", "raw"]
    for source, file, line, code, message, raw in rows[wanted].itertuples(index=False, name=None):
        cells = cells_of(raw, header)
        write.writerow([source, guarded(file), line, code, guarded(message), *map(guarded, cells)])
    return "\ufeff" + out.getvalue()


def cells_of(raw: str, header: Sequence[str]) -> list[str]:
    """Cells of a quarantined row, parted by the sign that fits its header best."""
    several = [_parted(raw, sign) for sign in DELIMITERS]
    return min(several, key=lambda cells: (abs(len(cells) - len(header)), -len(cells)))


def guarded(cell: str) -> str:
    """A cell that no spreadsheet runs or rewrites."""
    return cell if not cell or _PLAIN.fullmatch(cell) else f"'{cell}"


def header_text(header: Iterable[str]) -> str:
    """Header cells as an import keeps them."""
    return json.dumps(list(header), ensure_ascii=False)


def _bare(cell: str) -> str:
    return cell.removeprefix("'")


def _bared(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    marked = pc.starts_with(cells, "'")
    return pc.if_else(marked, pc.utf8_slice_codeunits(cells, 1), cells)


def _own(header: str) -> int:
    cells = max((_parted(header, sign) for sign in DELIMITERS), key=len)
    return sum(_bare(cell.strip().removeprefix("\ufeff")).lower() in OWN for cell in cells)


def _sources(rows: RawRows, own: int) -> Iterable[tuple[int, tuple[int, str, int]]]:
    """The row that each line mends, where its first cells still say so."""
    said = zip(rows.first.tolist(), *(c.to_pylist() for c in rows.cells.columns[:3]), strict=True)
    texts = [
        (row.first, _parted(rows.lines.text(row.first), rows.delimiter)) for row in rows.broken
    ]
    broken = [(first, *cells[:3]) for first, cells in texts if len(cells) >= min(own, 3)]
    for first, *cells in (*said, *broken):
        numbers = [_bare(cell.strip()) for cell in (cells[0], cells[-1])]
        if len(cells) == 3 and all(number.isdecimal() for number in numbers):
            yield first, (int(numbers[0]), _bare(cells[1]), int(numbers[1]))


def _parted(text: str, delimiter: str) -> list[str]:
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    return [cell for row in rows for cell in row]


def _joined(cells: Sequence[str], delimiter: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(cells)
    return out.getvalue()
