"""Write the sheets of a workbook as CSV text.

Each row of a sheet becomes one line, so that line numbers are row numbers; therefore a line break
within a cell becomes a space. Dates and times become ISO 8601, whole numbers lose their ".0", a
percentage gets its sign (0.45 shown as 45 % becomes 45%), and an error becomes the text shown. The
result of a formula is the one saved in the workbook.
"""

import csv
import io
import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TypeAlias

from python_calamine import CalamineSheet, CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

from arcdrift.errors import BadInput
from arcdrift.intake.containers.workbooks import workbook, workbook_errors

MAX_SHEETS = 200
FIRST_ROWS = 60
"""Rows among which the header of a sheet is looked for."""
_EXACT = 1e15
"""A spreadsheet holds all digits of whole numbers below this."""

_PERCENT = re.compile(r"-?[0-9]+\.[0-9]+%")
"""As `arcdrift.intake.containers.percent_cells` writes a cell."""

Value: TypeAlias = "int | float | str | bool | time | date | datetime | timedelta"


@dataclass(frozen=True)
class Sheet:
    """One sheet of a workbook.

    Attributes
    ----------
    name : str
        Its name on the tab.
    hidden : bool
        Whether it is not shown.
    first_rows : tuple of tuple of str
        Cells of its first rows that are not blank; empty for an empty sheet.
    """

    name: str
    hidden: bool
    first_rows: tuple[tuple[str, ...], ...]


def sheets(content: bytes, name: str) -> tuple[Sheet, ...]:
    """List the sheets of a workbook in order, without charts and macros.

    Raises
    ------
    BadInput
        When the workbook cannot be read.
    """
    with workbook(content, name) as book:
        listed = [entry for entry in book.sheets_metadata if entry.typ == SheetTypeEnum.WorkSheet]
        if len(listed) > MAX_SHEETS:
            raise BadInput(f"{name} has more than {MAX_SHEETS} sheets; split it.")
        return tuple(
            Sheet(
                entry.name,
                hidden=entry.visible != SheetVisibleEnum.Visible,
                first_rows=_first_rows(book, entry.name, name),
            )
            for entry in listed
        )


def sheet_text(
    content: bytes, name: str, sheet: str | None, *, delimiter: str = ",", decimal: str = "."
) -> bytes:
    """Write one sheet as UTF-8 text.

    Parameters
    ----------
    content : bytes
        The workbook.
    name : str
        File name for messages.
    sheet : str, optional
        Its name; default the only visible sheet that is not empty.
    delimiter, decimal : str
        Delimiter and decimal sign to write, so that a layout made for CSV fits.

    Raises
    ------
    BadInput
        When the workbook cannot be read, or there is no such sheet.
    """
    if sheet is None:
        sheet = _only_sheet(sheets(content, name), name)
    with workbook(content, name) as book, workbook_errors(name):
        if sheet not in book.sheet_names:
            raise BadInput(f"{name} has no sheet {sheet!r}.")
        found = book.get_sheet_by_name(sheet)
        timed_columns = _columns_with_times(found)
        out = io.StringIO()
        write = csv.writer(out, delimiter=delimiter, lineterminator="\n")
        # rows from the first of the sheet, cells from the first column with anything in it
        for row in found.iter_rows():
            cells = [
                _text(value, decimal, column in timed_columns) for column, value in enumerate(row)
            ]
            if any(cells):
                write.writerow(cells)
            else:
                out.write("\n")
        return out.getvalue().encode("utf-8", "surrogatepass")


def one_line(text: str) -> str:
    """Replace line breaks by spaces."""
    return " ".join(text.splitlines()) if "\n" in text or "\r" in text else text


def _only_sheet(found: tuple[Sheet, ...], name: str) -> str:
    filled = [sheet for sheet in found if sheet.first_rows]
    chosen = [sheet.name for sheet in filled if not sheet.hidden]
    if not filled:
        raise BadInput(f"{name} is empty.")
    if len(chosen) != 1:
        listed = ", ".join(sheet.name for sheet in filled)
        raise BadInput(
            f"{name} has several sheets ({listed}); save the one that is meant by itself."
        )
    return chosen[0]


def _first_rows(book: CalamineWorkbook, sheet: str, name: str) -> tuple[tuple[str, ...], ...]:
    rows: list[tuple[str, ...]] = []
    with workbook_errors(name):
        for row in book.get_sheet_by_name(sheet).iter_rows():
            cells = tuple(_text(value, ".", False).strip() for value in row)
            if any(cells):
                rows.append(cells)
            if len(rows) == FIRST_ROWS:
                break
    return tuple(rows)


def _columns_with_times(sheet: CalamineSheet) -> set[int]:
    """Columns with a date and time in some cell; a date alone in them is a midnight."""
    timed: set[int] = set()
    for row in sheet.iter_rows():
        timed.update(column for column, value in enumerate(row) if isinstance(value, datetime))
    return timed


def _text(value: Value, decimal: str, timed: bool) -> str:
    if isinstance(value, str):
        if decimal != "." and _PERCENT.fullmatch(value):
            return value.replace(".", decimal)
        return one_line(value)
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float):
        text = str(int(value)) if value.is_integer() and abs(value) < _EXACT else repr(value)
        return text.replace(".", decimal)
    if isinstance(value, datetime):
        return value.isoformat(" ")
    if isinstance(value, date):
        return f"{value.isoformat()} 00:00:00" if timed else value.isoformat()
    if isinstance(value, timedelta):
        minutes, seconds = divmod(value.total_seconds(), 60)
        return f"{minutes // 60:02.0f}:{minutes % 60:02.0f}:{seconds:02.0f}"
    return value.isoformat() if isinstance(value, time) else str(value)
