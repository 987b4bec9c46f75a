"""Replace the numbers of cells with a percent format by text with the percent sign, as on screen.

A spreadsheet holds 45 % as 0.45 and a number format, and the library that reads workbooks gives the
number alone. The text has all digits of the number, not only those shown.
"""

import re
from decimal import Decimal, InvalidOperation

_BUILT_IN = {b"9", b"10"}
"""Numbers of the formats 0 % and 0.00 % in every .xlsx (ECMA-376 part 1, 18.8.30)."""
_FORMAT = re.compile(rb"<(?:\w+:)?numFmt\s([^<>]*)/?>")
_CELL_FORMATS = re.compile(rb"<(?:\w+:)?cellXfs[\s>].*?</(?:\w+:)?cellXfs>", re.DOTALL)
_CELL_FORMAT = re.compile(rb"<(?:\w+:)?xf\s([^<>]*)>")
_ATTRIBUTE = re.compile(rb"""([\w:]+)\s*=\s*(?:"([^"]*)"|'([^']*)')""")
_NOT_SHOWN = re.compile(rb"&quot;.*?&quot;|\\.|_.|\*.|\[[^\]]*\]")
"""Parts of a format code that are quoted text or no text."""
_NUMBER = re.compile(rb"(<(?:\w+:)?v(?:\s[^<>]*)?>)\s*([^<>\s]+)\s*(</)")
_TYPE = re.compile(rb"""\st\s*=\s*(?:"n"|'n')""")
_ODS_CELL = re.compile(
    rb"""<table:table-cell\s(?:[^<>"']|"[^"]*"|'[^']*')*?"""
    rb"""office:value-type\s*=\s*["']percentage["'](?:[^<>"']|"[^"]*"|'[^']*')*>"""
)


def percent_styles(styles: bytes) -> set[bytes]:
    """Numbers of the cell styles of an .xlsx that show a percent sign.

    Parameters
    ----------
    styles : bytes
        Its part ``xl/styles.xml``.
    """
    formats = set(_BUILT_IN)
    for found in _FORMAT.finditer(styles):
        attributes = _attributes(found[1])
        code = attributes.get(b"formatCode", b"")
        if b"%" in _NOT_SHOWN.sub(b"", code).split(b";")[0]:
            formats.add(attributes.get(b"numFmtId", b""))
    block = _CELL_FORMATS.search(styles)
    cells = _CELL_FORMAT.findall(block[0]) if block else []
    return {
        str(number).encode()
        for number, text in enumerate(cells)
        if _attributes(text).get(b"numFmtId") in formats
    }


def with_percent_signs(sheet: bytes, styles: set[bytes]) -> bytes:
    """A sheet of an .xlsx with text in place of the numbers of cells that have one of some styles.

    Parameters
    ----------
    sheet : bytes
        The part of the sheet.
    styles : set of bytes
        From `percent_styles`.
    """
    if not styles:
        return sheet
    numbers = b"|".join(sorted(styles))
    cell = re.compile(
        rb"""<((?:\w+:)?c)(\s(?:[^<>"']|"[^"]*"|'[^']*')*?\bs\s*=\s*["'](?:"""
        + numbers
        + rb""")["'](?:[^<>"'/]|"[^"]*"|'[^']*')*)>((?:(?!</(?:\w+:)?c>).)*)""",
        re.DOTALL,
    )

    def shown(found: re.Match[bytes]) -> bytes:
        name, attributes, inside = found.groups()
        attributes = _TYPE.sub(b"", attributes)
        value = _NUMBER.search(inside)
        if value is None or re.search(rb"\st\s*=", attributes):
            return found[0]
        text = _percent(value[2])
        if text is None:
            return found[0]
        inside = inside[: value.start(2)] + text + inside[value.end(2) :]
        return b"<" + name + attributes + b' t="str">' + inside

    return cell.sub(shown, sheet)


def ods_with_percent_signs(content: bytes) -> bytes:
    """The content of an .ods with text in place of percentages."""

    def shown(found: re.Match[bytes]) -> bytes:
        cell = found[0]
        value = re.search(rb"""\soffice:value\s*=\s*["']([^"']*)["']""", cell)
        text = None if value is None else _percent(value[1])
        if value is None or text is None:
            return cell
        cell = cell.replace(value[0], b' office:string-value="' + text + b'"')
        return re.sub(
            rb"""(office:value-type\s*=\s*["'])percentage(["'])""", rb"\1string\2", cell, count=1
        )

    return _ODS_CELL.sub(shown, content)


def _attributes(text: bytes) -> dict[bytes, bytes]:
    return {name: double or single for name, double, single in _ATTRIBUTE.findall(text)}


def _percent(number: bytes) -> bytes | None:
    """A fraction as percent, such as 45.3% for 0.453; None if it is no number."""
    try:
        percent = Decimal(repr(float(number))).scaleb(2)
    except (ValueError, InvalidOperation):
        return None
    return f"{percent.normalize():f}%".encode() if percent.is_finite() else None
