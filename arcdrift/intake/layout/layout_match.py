"""The layouts of a crew: those that fit a file, or the one with a name."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.intake.layout.file_start import FileStart
from arcdrift.intake.layout.layout_rows import first_whole_lines, headers_under
from arcdrift.intake.layout.layouts import Layout, load_layout
from arcdrift.intake.text.export_columns import export_delimiter, is_export, log_header
from arcdrift.intake.text.raw_rows import read_rows

LAYOUTS = "layouts"
"""Folder of the layouts in a crew folder."""
_START_BYTES = 64


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
    layouts: Iterable[Layout], file: FileStart, *, kind: str | None = None
) -> list[Layout]:
    """Find the layouts whose headers fit a file; of several that say the same, the first.

    A layout with which the file cannot be decoded does not fit.

    Parameters
    ----------
    kind : str, optional
        Only layouts for this kind are considered.
    """
    fitting: list[Layout] = []
    for layout in layouts:
        if kind is not None and layout.kind != kind:
            continue
        text = file.text_under(layout)
        headers = None if text is None else _headers(text, layout, file.name)
        if headers is None or not layout.fits(headers):
            continue
        if not any(layout.says_the_same_as(other) for other in fitting):
            fitting.append(layout)
    return fitting


def fitting_layout(
    layouts: Iterable[Layout], file: FileStart, *, kind: str | None = None
) -> Layout | None:
    """Find the layout whose headers fit a file; None when none fits.

    Parameters as for `fitting_layouts`.

    Raises
    ------
    BadInput
        When several fit that do not say the same. For an export of quarantined rows the result is
        None instead, as the store has the layout of their import.
    """
    fitting = fitting_layouts(layouts, file, kind=kind)
    if len(fitting) > 1 and not is_export_file(file.path):
        names = " and ".join(layout.name for layout in fitting)
        raise BadInput(f"Several layouts fit {file.name}: {names}; say which with --layout.")
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


def layout_path(folder: Path, named: Path) -> Path:
    """Path of a layout that was named by its path, or by its name in a crew's layouts folder."""
    if named.exists():
        return named
    path = folder / LAYOUTS / named
    candidates = (path, path.with_name(f"{path.name}.toml"))
    return next((file for file in candidates if file.exists()), named)
