"""The columns that an export of quarantined rows has before those of the log.

The first three say which row it was, the others what is wrong and how to correct it. A cell, also
of the header, that a spreadsheet would run as a formula or rewrite has an apostrophe in front.
"""

from collections.abc import Sequence

from arcdrift.intake.text.raw_rows import DELIMITERS

OWN = ("arcdrift import", "arcdrift file", "arcdrift line", "arcdrift problem", "arcdrift mend")
"""Their headers."""


def is_export(start: bytes) -> bool:
    """Whether the text of a file starts like an export, whatever program saved it since."""
    return _begin(start)[: len(OWN[0])].lower() == OWN[0].encode()


def export_delimiter(start: bytes) -> str | None:
    """The character that follows the first header of an export; None if it is no delimiter."""
    after = _begin(start)[len(OWN[0]) :].lstrip(b'"')[:1].decode("latin-1")
    return after if after in DELIMITERS else None


def count_own(header: Sequence[str]) -> int:
    """Number of our own columns at the beginning of a header."""
    names = [unguarded(name).strip().lower() for name in header]
    count = 0
    while count < len(names) and names[count] in OWN and names[count] not in names[:count]:
        count += 1
    return count


def log_header(header: Sequence[str]) -> tuple[str, ...]:
    """The headers of the log in the header of an export."""
    return tuple(unguarded(name) for name in header[count_own(header) :])


def unguarded(cell: str) -> str:
    """The cell without the apostrophe that an export puts in front."""
    return cell.removeprefix("'")


def _begin(start: bytes) -> bytes:
    return start.removeprefix(b"\xef\xbb\xbf").lstrip(b'"')
