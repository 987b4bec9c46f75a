"""The layouts of public weather archives that come with arcdrift, and the place of their files."""

import re
from functools import cache
from pathlib import Path

import arcdrift
from arcdrift.errors import BadInput
from arcdrift.intake.layout.file_start import FileStart
from arcdrift.intake.layout.layout_match import fitting_layout
from arcdrift.intake.layout.layouts import Layout, load_layout
from arcdrift.settings import Crew

_PLACES = ("site", "splicer", "station")


@cache
def archive_layouts() -> tuple[Layout, ...]:
    """The layouts, by file name.

    Raises
    ------
    BadInput
        When the installation lacks them.
    """
    package = Path(arcdrift.__file__).parent
    for folder in (package / "archive_layouts", package.parent / "data" / "archives"):
        if folder.is_dir():
            return tuple(load_layout(path) for path in sorted(folder.glob("*.toml")))
    raise BadInput("The layouts of archives are missing from this installation; install it anew.")


def archive_layout(crew: Crew, file: FileStart, *, kind: str | None = None) -> Layout | None:
    """Find the archive whose headers fit a file; None when none does.

    Parameters as for `fitting_layout`. A file that says nothing about its place is of the one
    site or weather station of crew.toml that its name holds as a word.

    Raises
    ------
    BadInput
        When the place of the file is not told, or told twice.
    """
    layout = fitting_layout(archive_layouts(), file, kind=kind)
    if layout is None or any(place in (*layout.columns, *layout.fixed) for place in _PLACES):
        return layout
    found = _places_in(file.name, crew)
    if len(found) != 1:
        named = " and ".join(each for _, each in found) or "no site or weather station"
        raise BadInput(
            f"{file.name} has no column for its place, and its name names {named} of crew.toml; "
            f"put one of them into the name, such as Harbor-{Path(file.name).name}."
        )
    return layout.at_place(*found[0])


def _places_in(name: str, crew: Crew) -> list[tuple[str, str]]:
    """Sites and stations of a crew that the last part of a name holds as words."""
    words = _plain(re.split(r"[/\\]", name)[-1])
    stations = {site.station for site in crew.sites.values() if site.station} | set(crew.stations)
    places = [("site", each) for each in crew.sites]
    places += [("station", each) for each in sorted(stations)]
    return [
        (column, each)
        for column, each in places
        if re.search(rf"(?<!\w){re.escape(_plain(each))}(?!\w)", words)
    ]


def _plain(text: str) -> str:
    return text.casefold().replace("_", " ")
