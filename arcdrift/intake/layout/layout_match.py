"""Find the layout of a crew that fits a file, or the one with a name."""

import zlib
from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.intake.containers.archives import is_zip
from arcdrift.intake.containers.files import GZIP_MARK, PARQUET_MARK, open_log
from arcdrift.intake.layout.layout_rows import headers_under
from arcdrift.intake.layout.layouts import Layout, load_layout
from arcdrift.intake.text.encodings import utf8

LAYOUTS = "layouts"
"""Folder of the layouts in a crew folder."""
_HEAD_BYTES = 1 << 20
"""Bytes of a file that hold its header and the lines before it."""


def fitting_layout(
    folder: Path,
    path: Path,
    *,
    kind: str | None = None,
    name: str | None = None,
    sheet: str | None = None,
) -> Layout | None:
    """Find the layout in a crew folder whose headers fit a file.

    Parameters
    ----------
    folder : Path
        The crew folder.
    path : Path
        The file.
    kind : str, optional
        Only layouts for this kind are considered.
    name : str, optional
        The file's own name where `path` is a temporary copy.
    sheet : str, optional
        Sheet of a workbook.

    Returns
    -------
    Layout or None
        None when none fits.

    Raises
    ------
    BadInput
        When several fit, or a layout or the file cannot be read.
    """
    layouts = [load_layout(file) for file in sorted((folder / LAYOUTS).glob("*.toml"))]
    name = name or path.name
    fitting = []
    for layout in layouts:
        if kind is not None and layout.kind != kind:
            continue
        head = _head(path, name, layout, sheet)
        headers = None if head is None else headers_under(head, layout, name)
        if headers is not None and layout.fits(headers):
            fitting.append(layout)
    if len(fitting) > 1:
        names = " and ".join(layout.name for layout in fitting)
        raise BadInput(f"Several layouts fit {name}: {names}; say which with --layout.")
    return fitting[0] if fitting else None


def _head(path: Path, name: str, layout: Layout, sheet: str | None) -> bytes | None:
    """The start of the text of a file; None if it cannot be read, as the import will say."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
        if head.startswith(GZIP_MARK):
            head = zlib.decompressobj(wbits=31).decompress(head, _HEAD_BYTES)
    except (OSError, zlib.error):
        return None
    if is_zip(head[:4]) or head.startswith(PARQUET_MARK):
        with open_log(
            path, name, sheet=sheet, delimiter=layout.separator, decimal=layout.decimal
        ) as text:
            return text.read(0, text.size)
    if len(head) == _HEAD_BYTES:
        # a UTF-16 text must not be cut within a character, nor any text within a line
        last = max(head.rfind(b"\n"), head.rfind(b"\r"))
        head = head[: (last + 2) & ~1]
    return utf8(head, name, layout.encoding)


def layout_path(folder: Path, named: Path) -> Path:
    """Path of a layout that was named by its path, or by its name in a crew's layouts folder."""
    if named.exists():
        return named
    path = folder / LAYOUTS / named
    candidates = (path, path.with_name(f"{path.name}.toml"))
    return next((file for file in candidates if file.exists()), named)
