"""Parsing times typed on the command line, and printing instants in local time."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from arcdrift.errors import UsageError
from arcdrift.instants import day_text, instant_text

if TYPE_CHECKING:
    from arcdrift.settings import Crew


def zone_of_splicer(crew: "Crew", splicer: str | None = None) -> str | None:
    """Return the time zone of a splicer's home site, else of the crew, else of any site."""
    known = crew.splicers.get(splicer) if splicer is not None else None
    zone = crew.zone_of(known.home_site if known is not None else None)
    return zone or next((site.time_zone for site in crew.sites.values() if site.time_zone), None)


def parse_instant(text: str, zone: str | None, option: str) -> datetime:
    """Parse the value of `option` as an instant and return it in UTC.

    Parameters
    ----------
    text : str
        ISO 8601 date, or date and time; without an offset it is local time in `zone`.

    Raises
    ------
    UsageError
        If it is not a time, or is local time and no zone is known.
    """
    try:
        instant = datetime.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(
            f"{option} {text} is not a date; write 2026-05-04, or 2026-05-04T07:30 with a time."
        ) from None
    if instant.tzinfo is None:
        if zone is None:
            raise UsageError(
                f"{option} {text} is local time, but the crew has no time zone; set time_zone in "
                "crew.toml, or add the offset as in 2026-05-04T07:30+02:00."
            )
        instant = instant.replace(tzinfo=ZoneInfo(zone))
    return instant.astimezone(UTC)


def parse_day(text: str, option: str) -> str:
    """Parse the value of `option` as a day and return it as ISO 8601 text."""
    try:
        return datetime.fromisoformat(text.strip()).date().isoformat()
    except ValueError:
        raise UsageError(f"{option} {text} is not a date; write it like 2026-05-04.") from None


def local_time(instant: Any, zone: str | None, *, clock_only: bool = False) -> str:
    """Format an instant in a zone (UTC if it is None); empty text if the instant is missing."""
    here = _in_zone(instant, zone)
    if here is None:
        return ""
    return f"{here:%H:%M %Z}" if clock_only else f"{instant_text(here)} {here:%Z}"


def local_day(instant: Any, zone: str | None) -> str:
    """Format the day of an instant in a zone; empty text if the instant is missing."""
    here = _in_zone(instant, zone)
    return "" if here is None else day_text(here)


def _in_zone(instant: Any, zone: str | None) -> datetime | None:
    if isinstance(instant, str):
        instant = datetime.fromisoformat(instant)
    if instant is None or instant != instant:  # NaT is not equal to itself
        return None
    here: datetime = instant.astimezone(ZoneInfo(zone or "UTC"))
    return here
