"""Export of quarantined rows to a spreadsheet, and import of the corrected export.

The file has the header and the cells of the log the rows came from, behind columns of our own
(`arcdrift.intake.text.export_columns`). Importing the file leaves those columns out. A cell that a
spreadsheet would run as a formula or rewrite (a date, a code with leading zeros) gets an apostrophe
in front, which importing such a file removes.
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
from sqlalchemy import Engine, select

from arcdrift.intake.layout.layouts import Layout, parse_layout
from arcdrift.intake.text.export_columns import (
    OWN,
    count_own,
    export_delimiter,
    log_header,
    unguarded,
)
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES
from arcdrift.intake.text.raw_rows import DELIMITERS, RawRows, read_rows
from arcdrift.store import schema
from arcdrift.store.database.connect import reading

_PLAIN = re.compile(r"-?(0|[1-9][0-9]{0,13})(\.[0-9]{1,15})?|[^\W\d_][^\d=+@|]*")


Source = tuple[int, str, int]
"""Import, file and line of a quarantined row."""


@dataclass(frozen=True)
class CorrectedRows(RawRows):
    """Rows of a corrected export.

    Attributes
    ----------
    sources : dict of int to tuple
        The quarantined row that the row beginning on a line (0-based) corrects.
    own_count : int
        Number of our own columns.
    """

    sources: dict[int, Source]
    own_count: int

    def raw(self, first: int, last: int) -> str:
        """Text of a row without our own columns."""
        text = self.lines.raw(first, last)
        cells = split_cells(text[: MAX_LINE_BYTES + 1], self.delimiter)[self.own_count :]
        return join_cells([unguarded(cell) for cell in cells], self.delimiter)


def read_export(content: bytes, name: str, layout: Layout | None) -> CorrectedRows:
    """Divide the text of a corrected export into rows of the log's own cells.

    Raises
    ------
    BadInput
        When the header cannot be used.
    """
    rows = read_rows(content, name, delimiter=export_delimiter(content))
    own_count = count_own(rows.header)
    sources = dict(_sources(rows, own_count))
    cells = [_unguarded_column(column) for column in rows.cells.columns[own_count:]]
    names = [str(number) for number in range(len(cells))]
    values: dict[str, Any] = {part.name: getattr(rows, part.name) for part in fields(RawRows)}
    values |= {"header": log_header(rows.header), "cells": pa.table(cells, names=names)}
    if layout is not None:
        layout.check_headers(values["header"], name)
    return CorrectedRows(**values, sources=sources, own_count=own_count)


@dataclass(frozen=True)
class ExportOrigin:
    """How the log was read that the rows of an export came from.

    Attributes
    ----------
    layout : Layout or None
    days_from_1904 : bool
        Whether its day numbers in place of dates count from 1904.
    """

    layout: Layout | None = None
    days_from_1904: bool = False


def origin_of_export(engine: Engine, content: bytes, name: str) -> ExportOrigin:
    """Find the import that the rows of an export came from.

    Parameters
    ----------
    content : bytes
        Text of the export.
    """
    imports = schema.imports.columns
    origins = {source[:2] for source in read_export(content, name, None).sources.values()}
    query = select(imports.id, imports.file_name, imports.layout, imports.days_from_1904).where(
        imports.id.in_(sorted(number for number, _ in origins))
    )
    with reading(engine) as connection:
        rows = [row for row in connection.execute(query) if (row.id, row.file_name) in origins]
    layout = None
    for row in rows:
        if row.layout is not None and layout is None:
            title, _, text = row.layout.partition("\n")
            layout = parse_layout(text, title.removeprefix("# "))
    return ExportOrigin(layout, any(row.days_from_1904 for row in rows))


def export(rows: pd.DataFrame, header: Sequence[str], delimiter: str | None) -> str:
    """Text of one file for rows that came under the same header.

    Parameters
    ----------
    rows : DataFrame
        From `arcdrift.store.imports.set_aside_rows.read_quarantined`.
    header : sequence of str
        The header cells of their logs.
    delimiter : str, optional
        The character between the cells of the logs; None if it is not known.
    """
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\r\n")
    write.writerow([*OWN, *map(guarded, header)])
    wanted = ["import_id", "file_name", "line", "code", "message", "raw"]
    for source, file, line, code, message, raw in rows[wanted].itertuples(index=False, name=None):
        cells = cells_of(raw, header) if delimiter is None else split_cells(raw, delimiter)
        if code != "cells-extra":
            cells = cells[: len(header)]  # what has no name is left out
        write.writerow([source, guarded(file), line, code, guarded(message), *map(guarded, cells)])
    return "\ufeff" + out.getvalue()


def cells_of(raw: str, header: Sequence[str]) -> list[str]:
    """Cells of a quarantined row, split by the delimiter that fits its header best."""
    choices = [split_cells(raw, sign) for sign in DELIMITERS]
    return min(choices, key=lambda cells: (abs(len(cells) - len(header)), -len(cells)))


def guarded(cell: str) -> str:
    """The cell with an apostrophe in front if a spreadsheet would run or rewrite it."""
    return cell if not cell or _PLAIN.fullmatch(cell) else f"'{cell}"


def header_text(header: Iterable[str]) -> str:
    """Header cells as the list of imports holds them."""
    return json.dumps(list(header), ensure_ascii=False)


def _unguarded_column(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    guarded_cells = pc.starts_with(cells, "'")
    return pc.if_else(guarded_cells, pc.utf8_slice_codeunits(cells, 1), cells)


def _sources(rows: RawRows, own_count: int) -> Iterable[tuple[int, Source]]:
    """The row that each line corrects, where its first cells still say so."""
    columns = (column.to_pylist() for column in rows.cells.columns[:3])
    sound = zip(rows.first.tolist(), *columns, strict=True)
    texts = [
        (row.first, split_cells(rows.lines.text(row.first), rows.delimiter)) for row in rows.broken
    ]
    broken = [(first, *cells[:3]) for first, cells in texts if len(cells) >= min(own_count, 3)]
    for first, *cells in (*sound, *broken):
        numbers = [unguarded(cell.strip()) for cell in (cells[0], cells[-1])]
        if len(cells) == 3 and all(number.isdecimal() for number in numbers):
            yield first, (int(numbers[0]), unguarded(cells[1]), int(numbers[1]))


def split_cells(text: str, delimiter: str) -> list[str]:
    """Divide the text of a row into its cells."""
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    return [cell for row in rows for cell in row]


def join_cells(cells: Sequence[str], delimiter: str) -> str:
    """Write cells as the text of a row."""
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(cells)
    return out.getvalue()
