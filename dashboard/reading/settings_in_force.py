"""The settings that the dashboard uses: crew.toml, read anew when the file has changed."""

from pathlib import Path
from typing import NamedTuple

from arcdrift.errors import BadInput
from arcdrift.settings import CREW_FILE, Crew, load_crew

STORE_MOVED = (
    f"{CREW_FILE} names another store; it is used once the dashboard is started again. Until then "
    "the settings from before the change are in force."
)


class SettingsInForce(NamedTuple):
    """Settings, and of which file they are.

    Attributes
    ----------
    stamp : str
        Changes with the file.
    trouble : str
        Why the file as it stands now is not in force; empty where it is.
    """

    crew: Crew
    stamp: str
    trouble: str = ""


def first_settings(folder: Path) -> SettingsInForce:
    """Read the settings of a crew folder.

    Raises
    ------
    BadInput
        When the folder or its crew.toml cannot be used.
    """
    stamp = file_stamp(folder)
    return SettingsInForce(load_crew(folder), stamp)


def newer_settings(folder: Path, before: SettingsInForce) -> SettingsInForce | None:
    """Return the settings if the file has changed, else None.

    A file that cannot be used leaves the earlier settings in force.
    """
    stamp = file_stamp(folder)
    if stamp == before.stamp:
        return None
    try:
        crew = load_crew(folder)
    except BadInput as problem:
        trouble = f"{problem} Until that is mended, the settings from before are in force."
        return SettingsInForce(before.crew, stamp, trouble)
    if crew.store != before.crew.store:
        return SettingsInForce(before.crew, stamp, STORE_MOVED)
    return SettingsInForce(crew, stamp)


def file_stamp(folder: Path) -> str:
    """Return a text that changes with crew.toml, without reading it."""
    try:
        found = (folder / CREW_FILE).stat()
    except OSError:
        return "none"
    return f"{found.st_mtime_ns}-{found.st_size}-{found.st_ino}"
