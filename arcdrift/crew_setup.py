"""What a new crew says about itself first, as typed in a terminal or a browser, and its checks.

A wrong answer is refused with a sentence, so that it can be asked again.
"""

import difflib
import os
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from zoneinfo import available_timezones

from pydantic import ValidationError

from arcdrift.errors import UsageError
from arcdrift.settings import Site, Splicer, is_zone

NOT_PLACES = ("Etc/", "SystemV/", "US/", "posix/", "right/")
"""Beginnings of names of time zones that are older names, or no place's."""
DEFAULT_UNIT = str(Splicer.model_fields["setting_unit"].default)
UNITS = (DEFAULT_UNIT, "%", "mA")
"""What arc settings are counted in; a crew may write another unit."""


@dataclass(frozen=True)
class SplicerSetup:
    """What a new crew says of a splicer."""

    home_site: str | None = None
    setting_unit: str = DEFAULT_UNIT


@dataclass(frozen=True)
class CrewSetup:
    """What a new crew says about itself.

    Attributes
    ----------
    time_zone : str, optional
        IANA name; without it, logs whose times carry no offset are refused.
    sites : dict of str to float
        Elevation in m above the sea by name; None where it is not known.
    splicers : dict of str to SplicerSetup
        By name; splicers that are not named are learned from the logs.
    """

    name: str
    time_zone: str | None = None
    sites: dict[str, float | None] = field(default_factory=dict)
    splicers: dict[str, SplicerSetup] = field(default_factory=dict)


def typed_setup(
    name: str,
    time_zone: str,
    sites: Iterable[tuple[str, str]],
    splicers: Iterable[tuple[str, str, str]],
) -> CrewSetup:
    """Read a whole set-up as typed; rows that are empty are passed over.

    Parameters
    ----------
    sites : iterable of tuple
        Name and elevation.
    splicers : iterable of tuple
        Name, home site and unit of the arc setting.

    Raises
    ------
    UsageError
        When something in it cannot be used.
    """
    elevations: dict[str, float | None] = {}
    for site, height in sites:
        if site.strip() or height.strip():
            elevations[checked_new_name(site, "site", elevations)] = checked_elevation(height)
    homes: dict[str, SplicerSetup] = {}
    for splicer, home, unit in splicers:
        if splicer.strip() or home.strip():
            new = checked_new_name(splicer, "splicer", homes)
            homes[new] = SplicerSetup(checked_home(home, elevations), checked_unit(unit))
    return CrewSetup(checked_name(name), checked_zone(time_zone), elevations, homes)


def checked_name(text: str) -> str:
    """Return the name of a crew as typed.

    Raises
    ------
    UsageError
        When it is blank, or holds what no line of text does.
    """
    return _line(text, "The name")


def checked_new_name(text: str, what: str, taken: Collection[str]) -> str:
    """Return the name of a site or a splicer as typed; ``taken`` are those before it.

    Raises
    ------
    UsageError
        When it is blank or there already.
    """
    name = _line(text, f"The name of a {what}")
    if name in taken:
        raise UsageError(f"The {what} {name} stands there twice; give each its own name.")
    return name


def checked_zone(text: str) -> str | None:
    """Return a time zone as typed, in its own spelling; None for an empty answer.

    Raises
    ------
    UsageError
        When there is none of that name.
    """
    name = text.strip()
    if not name:
        return None
    if is_zone(name):
        return name
    known = {zone.lower(): zone for zone in zone_names()}
    if name.lower() in known:
        return known[name.lower()]
    ends = [zone for zone in known if zone.rpartition("/")[2] == name.lower().replace(" ", "_")]
    near = ends or difflib.get_close_matches(name.lower(), known, n=1)
    hint = f"did you mean {known[near[0]]}?" if near else "use a name such as Europe/Oslo."
    raise UsageError(f"The time zone {name!r} is not known; {hint}")


def checked_elevation(text: str) -> float | None:
    """Return an elevation in m above the sea as typed; None for an empty answer.

    Raises
    ------
    UsageError
        When it is no number, or no place on Earth where people splice.
    """
    typed = text.strip().removesuffix("m").strip().replace(",", ".")
    if not typed:
        return None
    try:
        return Site(elevation_m=float(typed)).elevation_m
    except (ValueError, ValidationError):
        raise UsageError(
            f"{text.strip()!r} is no height above the sea; it must lie between -430 and 6,000 m, "
            "such as 12."
        ) from None


def checked_home(text: str, sites: Collection[str]) -> str | None:
    """Return the home site of a splicer as typed; None for an empty answer.

    Raises
    ------
    UsageError
        When it is not one of the sites.
    """
    home = text.strip()
    if not home or home in sites:
        return home or None
    near = difflib.get_close_matches(home, sites, n=1)
    hint = f"did you mean {near[0]}?" if near else "add it to the sites first, or leave it out."
    raise UsageError(f"The home site {home!r} is not one of the sites; {hint}")


def checked_unit(text: str) -> str:
    """Return what an arc setting is counted in, as typed; the usual unit for an empty answer.

    Raises
    ------
    UsageError
        When it is too long for a unit.
    """
    unit = text.strip() or DEFAULT_UNIT
    if len(unit) > 12 or not unit.isprintable():
        raise UsageError(f"{unit[:40]!r} is no unit; write a short one, such as steps, % or mA.")
    return unit


@cache
def zone_names() -> Sequence[str]:
    """Return the names of time zones to choose from, sorted: those of places, and UTC."""
    places = (
        name for name in available_timezones() if "/" in name and not name.startswith(NOT_PLACES)
    )
    return ("UTC", *sorted(places))


def zone_of_this_computer() -> str | None:
    """Return the time zone that this computer is set to.

    None where it does not say, or is set to UTC: servers are, wherever the crew works.
    """
    named = os.environ.get("TZ", "").removeprefix(":")
    try:
        _, _, linked = Path("/etc/localtime").resolve().as_posix().partition("zoneinfo/")
    except OSError:
        linked = ""
    for name in (named, linked):
        if name in zone_names() and name != "UTC":
            return name
    return None


def _line(text: str, what: str) -> str:
    name = text.strip()
    if not name:
        raise UsageError(f"{what} is blank; write one.")
    if not name.isprintable() or len(name) > 200:
        raise UsageError(f"{what} must be one short line of text.")
    return name
