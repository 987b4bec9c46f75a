"""The layouts of a crew: those that fit a file, or the one with a name."""

import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.intake.containers.archives import is_zip
from arcdrift.intake.containers.files import GZIP_MARK, PARQUET_MARK, open_log
from arcdrift.intake.layout.layout_rows import first_whole_lines, headers_under
from arcdrift.intake.layout.layouts import Layout, load_layout
from arcdrift.intake.text.encodings import Encoding, utf8
from arcdrift.intake.text.export_columns import export_delimiter, is_export, log_header
from arcdrift.intake.text.raw_rows import read_rows

LAYOUTS = "layouts"
"""Folder of the layouts in a crew folder."""
_START_BYTES = 64
_HEAD_BYTES = 1 << 20
"""Bytes of a file that hold its header and the lines before it."""


@dataclass(frozen=True)
class CrewLayouts:
    """The layouts of a crew.

    Attributes
    ----------
    layouts : tuple of Layout
        Those that can be used, by file name.
    refusals : tuple of str
        A sentence about each file that cannot be used.
    """

    layouts: tuple[Layout, ...]
    refusals: tuple[str, ...]


def crew_layouts(folder: Path) -> CrewLayouts:
    """Read the layouts in a crew folder; one that is broken does not keep the others from use."""
    layouts: list[Layout] = []
    refusals: list[str] = []
    for path in sorted((folder / LAYOUTS).glob("*.toml")):
        try:
            layouts.append(load_layout(path))
        except BadInput as problem:
            refusals.append(f"{problem} It is passed over.")
    return CrewLayouts(tuple(layouts), tuple(refusals))


def fitting_layouts(
    layouts: Iterable[Layout],
    path: Path,
    *,
    kind: str | None = None,
    name: str | None = None,
    sheet: str | None = None,
) -> list[Layout]:
    """Find the layouts whose headers fit a file; of several that say the same, the first.

    A layout with which the file cannot be decoded does not fit.

    Parameters
    ----------
    path : Path
        The file.
    kind : str, optional
        Only layouts for this kind are considered.
    name : str, optional
        The file's own name where `path` is a temporary copy.
    sheet : str, optional
        Sheet of a workbook.
    """
    name = name or path.name
    fitting: list[Layout] = []
    heads: dict[tuple[str | None, str, Encoding | None], bytes | None] = {}
    for layout in layouts:
        if kind is not None and layout.kind != kind:
            continue
        how = layout.separator, layout.decimal, layout.encoding
        if how not in heads:
            heads[how] = _head(path, name, layout, sheet)
        head = heads[how]
        headers = None if head is None else _headers(head, layout, name)
        if headers is None or not layout.fits(headers):
            continue
        if not any(layout.says_the_same_as(other) for other in fitting):
            fitting.append(layout)
    return fitting


def fitting_layout(
    layouts: Iterable[Layout],
    path: Path,
    *,
    kind: str | None = None,
    name: str | None = None,
    sheet: str | None = None,
) -> Layout | None:
    """Find the layout whose headers fit a file; None when none fits.

    Parameters as for `fitting_layouts`.

    Raises
    ------
    BadInput
        When several fit that do not say the same. For an export of quarantined rows the result is
        None instead, as the store has the layout of their import.
    """
    fitting = fitting_layouts(layouts, path, kind=kind, name=name, sheet=sheet)
    if len(fitting) > 1 and not is_export_file(path):
        names = " and ".join(layout.name for layout in fitting)
        raise BadInput(
            f"Several layouts fit {name or path.name}: {names}; say which with --layout."
        )
    return fitting[0] if len(fitting) == 1 else None


def is_export_file(path: Path) -> bool:
    """Whether a file is a text that starts like an export of quarantined rows."""
    try:
        with path.open("rb") as file:
            return is_export(file.read(_START_BYTES))
    except OSError:
        return False


def _headers(head: bytes, layout: Layout, name: str) -> tuple[str, ...] | None:
    """Headers of a file read with a layout, or of the log whose rows it holds as an export."""
    if not is_export(head):
        return headers_under(head, layout, name)
    try:
        delimiter = export_delimiter(head)
        return log_header(read_rows(first_whole_lines(head), name, delimiter=delimiter).header)
    except BadInput:
        return None


def _head(path: Path, name: str, layout: Layout, sheet: str | None) -> bytes | None:
    """The start of the text of a file; None if it cannot be read or decoded with a layout."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
        if head.startswith(GZIP_MARK):
            head = zlib.decompressobj(wbits=31).decompress(head, _HEAD_BYTES)
        if is_zip(head[:4]) or head.startswith(PARQUET_MARK):
            with open_log(
                path, name, sheet=sheet, delimiter=layout.separator, decimal=layout.decimal
            ) as text:
                return text.read(0, text.size)
        if len(head) == _HEAD_BYTES:
            # a UTF-16 text must not be cut within a character, nor any text within a line
            last = max(head.rfind(b"\n"), head.rfind(b"\r"))
            head = head[: (last + 2) & ~1]
        return utf8(head, name, None if is_export(head) else layout.encoding)
    except (OSError, zlib.error, BadInput):
        return None


def layout_path(folder: Path, named: Path) -> Path:
    """Path of a layout that was named by its path, or by its name in a crew's layouts folder."""
    if named.exists():
        return named
    path = folder / LAYOUTS / named
    candidates = (path, path.with_name(f"{path.name}.toml"))
    return next((file for file in candidates if file.exists()), named)
