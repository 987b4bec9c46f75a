"""Sheets of a workbook as the text that a CSV of them would have.

Each spreadsheet row becomes one line, so that a line number is the row a person sees; a line
break within a cell becomes a space for that. Dates and times become ISO 8601, whole numbers
lose their ".0", an error keeps the text shown on screen. What a formula gave is taken as it was
when the workbook was saved.
"""

import csv
import io
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TypeAlias

from python_calamine import CalamineSheet, CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

from arcdrift.errors import BadInput
from arcdrift.intake.containers.workbooks import damage_told, workbook

MAX_SHEETS = 200
_EXACT = 1e15
"""Whole numbers below this have all their digits in a spreadsheet."""

Value: TypeAlias = "int | float | str | bool | time | date | datetime | timedelta"


@dataclass(frozen=True)
class Sheet:
    """One sheet of a workbook.

    Attributes
    ----------
    name : str
        As on its tab.
    hidden : bool
        Whether it is out of sight.
    first_row : tuple of str
        The cells of its first row with anything in it; without any, the sheet is empty.
    """

    name: str
    hidden: bool
    first_row: tuple[str, ...]


def sheets(content: bytes, name: str) -> tuple[Sheet, ...]:
    """List the sheets of a workbook in its order, without charts and macros.

    Raises
    ------
    BadInput
        When the workbook cannot be read.
    """
    with workbook(content, name) as book:
        told = [one for one in book.sheets_metadata if one.typ == SheetTypeEnum.WorkSheet]
        if len(told) > MAX_SHEETS:
            raise BadInput(f"{name} has more than {MAX_SHEETS} sheets; split it.")
        return tuple(
            Sheet(
                one.name, one.visible != SheetVisibleEnum.Visible, _first_row(book, one.name, name)
            )
            for one in told
        )


def sheet_text(
    content: bytes, name: str, sheet: str | None, *, delimiter: str = ",", decimal: str = "."
) -> bytes:
    """Text of one sheet, as UTF-8.

    Parameters
    ----------
    content : bytes
        The workbook.
    name : str
        File name for messages.
    sheet : str, optional
        Which one; default the only one that is visible and has something in it.
    delimiter, decimal : str
        How the text is to be written, so that a layout meant for CSV fits.

    Raises
    ------
    BadInput
        When the workbook cannot be read, or there is no such sheet.
    """
    if sheet is None:
        sheet = _only(sheets(content, name), name)
    with workbook(content, name) as book, damage_told(name):
        if sheet not in book.sheet_names:
            raise BadInput(f"{name} has no sheet {sheet!r}.")
        found = book.get_sheet_by_name(sheet)
        dated = _with_times(found)
        out = io.StringIO()
        write = csv.writer(out, delimiter=delimiter, lineterminator="\n")
        # rows from the first of the sheet, cells from the first column with anything in it
        for row in found.iter_rows():
            cells = [_text(value, decimal, at in dated) for at, value in enumerate(row)]
            if any(cells):
                write.writerow(cells)
            else:
                out.write("\n")
        return out.getvalue().encode("utf-8", "surrogatepass")


def one_line(text: str) -> str:
    """Text with its line breaks turned into spaces."""
    return " ".join(text.splitlines()) if "\n" in text or "\r" in text else text


def _only(found: tuple[Sheet, ...], name: str) -> str:
    filled = [sheet for sheet in found if sheet.first_row]
    chosen = [sheet.name for sheet in filled if not sheet.hidden]
    if not filled:
        raise BadInput(f"{name} is empty.")
    if len(chosen) != 1:
        listed = ", ".join(sheet.name for sheet in filled)
        raise BadInput(
            f"{name} has several sheets ({listed}); save the one that is meant by itself."
        )
    return chosen[0]


def _first_row(book: CalamineWorkbook, sheet: str, name: str) -> tuple[str, ...]:
    with damage_told(name):
        for row in book.get_sheet_by_name(sheet).iter_rows():
            cells = tuple(_text(value, ".", False).strip() for value in row)
            if any(cells):
                return cells
    return ()


def _with_times(sheet: CalamineSheet) -> set[int]:
    """Columns that have a date with a time of day: then its other dates are midnights."""
    timed: set[int] = set()
    for row in sheet.iter_rows():
        timed.update(at for at, value in enumerate(row) if isinstance(value, datetime))
    return timed


def _text(value: Value, decimal: str, timed: bool) -> str:
    if isinstance(value, str):
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
