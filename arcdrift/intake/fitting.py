"""The layouts of a crew: finding the one that fits a file, and one by its name."""

from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.intake.files import file_bytes
from arcdrift.intake.layout_rows import headers_under
from arcdrift.intake.layouts import Layout, load_layout

LAYOUTS = "layouts"
"""Folder in a crew folder that holds its layouts."""


def fitting_layout(
    folder: Path,
    path: Path,
    *,
    kind: str | None = None,
    name: str | None = None,
    sheet: str | None = None,
) -> Layout | None:
    """Find the one layout in a crew folder whose headers fit a file.

    Parameters
    ----------
    folder : Path
        The crew folder.
    path : Path
        The file.
    kind : str, optional
        Only layouts for this kind are looked at.
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
    texts: dict[tuple[str | None, str | None, str], bytes] = {}
    fit = []
    for layout in layouts:
        if kind is not None and layout.kind != kind:
            continue
        written = (layout.encoding, layout.separator, layout.decimal)
        if written not in texts:
            texts[written] = file_bytes(
                path,
                name,
                encoding=layout.encoding,
                sheet=sheet,
                delimiter=layout.separator,
                decimal=layout.decimal,
            )[1]
        headers = headers_under(texts[written], layout, name)
        if headers is not None and layout.fits(headers):
            fit.append(layout)
    if len(fit) > 1:
        names = " and ".join(layout.name for layout in fit)
        raise BadInput(f"Several layouts fit {name}: {names}; say which with --layout.")
    return fit[0] if fit else None


def layout_path(folder: Path, named: Path) -> Path:
    """Path of a layout given as a path, or by the name it has in a crew's layouts folder."""
    if named.exists():
        return named
    own = folder / LAYOUTS / named
    return next((file for file in (own, own.with_name(f"{own.name}.toml")) if file.exists()), named)
