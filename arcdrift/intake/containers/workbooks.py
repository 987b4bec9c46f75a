"""Check spreadsheet workbooks (.xlsx, .ods) before a library reads them.

The library holds a sheet as one full rectangle, so a few cells far apart could need more memory
than there is; it gives a cell with an error as an empty one, and a percentage as a fraction.
Therefore a workbook that would need too much memory is refused, and errors and percentages are
replaced by the text shown on screen.
"""

import io
import re
import zipfile
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import accumulate

import numpy as np
from python_calamine import CalamineError, CalamineWorkbook

from arcdrift.errors import BadInput
from arcdrift.intake.containers.archives import member_blocks, open_zip
from arcdrift.intake.containers.percent_cells import (
    ods_with_percent_signs,
    percent_styles,
    with_percent_signs,
)

MAX_BOOK_BYTES = 1 << 30
"""Largest size of all parts of a workbook, and of the text of all its cells."""
MAX_CELLS = 30_000_000
"""Most cells in the rectangle around the cells of a sheet."""

_ODS_KIND = b"application/vnd.oasis.opendocument.spreadsheet"
_QUOTED = rb"""(?:[^<>"']|"[^"]*"|'[^']*')*"""
# a cell or a row, and its reference if it has one
_TAG = re.compile(
    rb"""<(?:\w+:)?(c|row)(?=[\s/>])(?:(?:\s+(?!r\s*=)[\w:]+\s*=\s*(?:"[^"]*"|'[^']*'))*"""
    rb"""\s+r\s*=\s*["']([A-Za-z]{0,9})([0-9]{1,9})["'])?"""
)
_NO_REFERENCE = (b"c", b"", b"")
_WHOLE_TAG = re.compile(_TAG.pattern + rb"(" + _QUOTED + rb")>")
_TEXT_NUMBER = re.compile(rb"<(?:\w+:)?v(?:\s[^>]*)?>\s*([0-9]{1,9})")
_ERROR = re.compile(rb"""(<(?:\w+:)?c\s[^<>]*?\bt\s*=\s*["'])e(["'])""")
_TABLE_PART = re.compile(
    rb"<(table:table|table:table-row|table:table-cell|table:covered-table-cell)(?=[\s/>])("
    + _QUOTED
    + rb")>"
)
_REPEATED = re.compile(rb"""(?:rows|columns)-repeated\s*=\s*["']\s*([0-9]{1,9})""")
_TABLE_ERROR = re.compile(rb"""<table:table-cell\s[^<>]*calcext:value-type="error"[^<>]*>""")
_DATE_1904 = re.compile(rb"""<(?:\w+:)?workbookPr\s[^>]*date1904\s*=\s*["'](?:1|true)["']""")
_COMMENT_OR_CDATA = re.compile(rb"<!--.*?-->|<!\[CDATA\[.*?\]\]>", re.DOTALL)


def is_workbook(archive: zipfile.ZipFile) -> bool:
    """Whether an archive is a workbook and not a bundle of files."""
    return _kind(archive) is not None


def counts_days_from_1904(archive: zipfile.ZipFile, name: str) -> bool:
    """Whether the day numbers of an .xlsx count from 1904, as ECMA-376 allows (`date1904`)."""
    parts = [member for member in archive.infolist() if member.filename == "xl/workbook.xml"]
    return any(_DATE_1904.search(b"".join(member_blocks(archive, part, name))) for part in parts)


@contextmanager
def workbook(content: bytes, name: str) -> Iterator[CalamineWorkbook]:
    """Open a workbook.

    Raises
    ------
    BadInput
        When it is damaged, protected, of another kind, or would need too much memory.
    """
    with open_zip(content, name, max_bytes=MAX_BOOK_BYTES) as archive:
        kind = _kind(archive)
        if kind == "binary":
            raise BadInput(f"{name} is a workbook of the binary kind; save it as .xlsx.")
        changed = _check_ods(archive, name) if kind == "ods" else _check_xlsx(archive, name)
        if changed:
            content = _repacked(archive, changed, name)
    with workbook_errors(name):
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
    with book:
        yield book


@contextmanager
def workbook_errors(name: str) -> Iterator[None]:
    """Turn errors and panics of the library into a sentence."""
    try:
        yield
    except BadInput:
        raise
    except CalamineError:
        raise BadInput(f"{name} is damaged; open it and save it again.") from None
    except BaseException as problem:
        if type(problem).__name__ != "PanicException":
            raise
        raise BadInput(f"{name} is damaged; open it and save it again.") from None


def _kind(archive: zipfile.ZipFile) -> str | None:
    names = {member.filename: member for member in archive.infolist()}
    if "xl/workbook.bin" in names:
        return "binary"
    if "xl/workbook.xml" in names:
        return "xlsx"
    mimetype = names.get("mimetype")
    if mimetype is not None and mimetype.file_size < 200 and "content.xml" in names:
        try:
            return "ods" if archive.read(mimetype).strip().startswith(_ODS_KIND) else None
        except (zipfile.BadZipFile, RuntimeError, NotImplementedError):
            return None
    return None


def _check_xlsx(archive: zipfile.ZipFile, name: str) -> dict[str, bytes]:
    """Check the sheets of an .xlsx; return the parts in which cells were replaced by text."""
    changed: dict[str, bytes] = {}
    styles = next((m for m in archive.infolist() if m.filename == "xl/styles.xml"), None)
    percent = (
        percent_styles(b"".join(member_blocks(archive, styles, name))) if styles else set[bytes]()
    )
    lengths = np.zeros(0, np.int64)
    sheets, cells = [], 0
    for member in archive.infolist():
        part = b"".join(member_blocks(archive, member, name))
        if member.filename == "xl/sharedStrings.xml":
            lengths = np.array([len(text) for text in re.split(rb"<(?:\w+:)?si(?=[\s/>])", part)])
        if b"sheetData" not in part:
            continue
        cells += _check_spread(part, name)
        sheets.append(member)
        shown = with_percent_signs(part, percent)
        if b't="e"' in part or b"t='e'" in part:
            shown = _ERROR.sub(rb"\1str\2", shown)
        if shown is not part:
            changed[member.filename] = shown
    if int(lengths[1:].max(initial=0)) * cells > MAX_BOOK_BYTES:
        for member in sheets:
            part = changed.get(member.filename) or b"".join(member_blocks(archive, member, name))
            used = np.array(_TEXT_NUMBER.findall(part), dtype=np.int64) + 1
            _check_text(int(lengths[used[used < len(lengths)]].sum()), name)
    return changed


def _check_spread(sheet: bytes, name: str) -> int:
    """Check the rectangle around the cells of a sheet; return the number of cells."""
    if b"\0" in sheet[:4]:
        raise BadInput(f"{name} is damaged; open it and save it again.")
    tags = _TAG.findall(sheet)
    height, width = _spread(tags)
    if height * width > MAX_CELLS and _NO_REFERENCE not in tags:
        # cells with a format only take no memory, but telling them apart takes time
        whole = _WHOLE_TAG.findall(sheet)
        tags = [tag for *tag, rest in whole if tag[0] == b"row" or not rest.endswith(b"/")]
        height, width = _spread(tags)
    _check_cells(height, width, name)
    return len(tags)


def _spread(tags: Sequence[Sequence[bytes]]) -> tuple[int, int]:
    """Rows and columns of the rectangle from the first cell of a sheet to the last."""
    height = max((int(row) for _, _, row in tags if row), default=0)
    width = max((_column(letters) for letters in {letters for _, letters, _ in tags}), default=0)
    if _NO_REFERENCE in tags:
        # cells and rows without a reference follow one another
        rows = Counter(accumulate(tag == b"row" for tag, _, _ in tags))
        width += max(rows.values())
        height += len(rows)
    return height, width


def _check_ods(archive: zipfile.ZipFile, name: str) -> dict[str, bytes]:
    """Check the tables of an .ods; return the content if cells in it were replaced by text."""
    members = {member.filename: member for member in archive.infolist()}
    manifest = members.get("META-INF/manifest.xml")
    if manifest is not None and b"encryption-data" in b"".join(
        member_blocks(archive, manifest, name)
    ):
        raise BadInput(f"{name} is protected by a password; save it without one.")
    part = b"".join(member_blocks(archive, members["content.xml"], name))
    plain = _COMMENT_OR_CDATA.sub(b"", part) if b"<!" in part else part
    height = width = text = 0
    pending = row_times = across = 0
    before: tuple[int, int] | None = None
    filled = False
    for found in _TABLE_PART.finditer(plain):
        kind, attributes = found.groups()
        if before is not None:
            text += before[1] * (found.start() - before[0])
            before = None
        repeated = _REPEATED.search(attributes) if b"repeated" in attributes else None
        times = int(repeated[1]) if repeated else 1
        if kind == b"table:table":
            pending = row_times = 0
        elif kind == b"table:table-row":
            pending += row_times
            row_times, across, filled = times, 0, False
        else:
            across += times
            if b"value-type" in attributes or not attributes.endswith(b"/"):
                width = max(width, across)
                before = found.end(), times * row_times
                if not filled:
                    height, pending, filled = height + pending + row_times, -row_times, True
    if before is not None:
        text += before[1] * (len(plain) - before[0])
    _check_cells(height, width, name)
    _check_text(text, name)
    corrected, count = _TABLE_ERROR.subn(
        lambda cell: re.sub(rb'\soffice:string-value="[^"]*"', b"", cell[0]), part
    )
    if b"percentage" in corrected:
        corrected, count = ods_with_percent_signs(corrected), 1
    return {"content.xml": corrected} if count else {}


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


def _check_cells(height: int, width: int, name: str) -> None:
    if height * width > MAX_CELLS:
        raise BadInput(
            f"{name} is spread over {height:,} rows and {width:,} columns; delete what stands far "
            f"from the log, or save the sheet as CSV."
        )


def _check_text(count: int, name: str) -> None:
    if count > MAX_BOOK_BYTES:
        size = f"{MAX_BOOK_BYTES / (1 << 20):.0f} MiB"
        raise BadInput(f"{name} unpacks to more than {size} of text; split it.")


def _repacked(archive: zipfile.ZipFile, changed: dict[str, bytes], name: str) -> bytes:
    """Pack an archive again with some parts replaced."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as copy:
        for member in archive.infolist():
            part = changed.get(member.filename)
            copy.writestr(
                member.filename,
                b"".join(member_blocks(archive, member, name)) if part is None else part,
            )
    return packed.getvalue()
