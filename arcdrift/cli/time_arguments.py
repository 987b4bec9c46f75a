"""Times as people type and read them: local to the site, with the zone beside them."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from arcdrift.errors import UsageError

if TYPE_CHECKING:
    from arcdrift.settings import Crew


def zone_of_splicer(crew: "Crew", splicer: str | None = None) -> str | None:
    """Time zone of a splicer's home site, else of the crew, else of its first site."""
    known = crew.splicers.get(splicer) if splicer is not None else None
    zone = crew.zone_of(known.home_site if known is not None else None)
    return zone or next((site.time_zone for site in crew.sites.values() if site.time_zone), None)


def typed_instant(text: str, zone: str | None, option: str) -> datetime:
    """Turn what was typed after `option` into an instant, UTC.

    Parameters
    ----------
    text : str
        ISO 8601 date, or date and time; without an offset it is local time in `zone`.

    Raises
    ------
    UsageError
        When it is not a time, or is local time and no zone is known.
    """
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(
            f"{option} {text} is not a date; write 2026-05-04, or 2026-05-04T07:30 with a time."
        ) from None
    if when.tzinfo is None:
        if zone is None:
            raise UsageError(
                f"{option} {text} is local time, but the crew has no time zone; set time_zone in "
                "crew.toml, or add the offset as in 2026-05-04T07:30+02:00."
            )
        when = when.replace(tzinfo=ZoneInfo(zone))
    return when.astimezone(UTC)


def typed_day(text: str, option: str) -> str:
    """Check that what was typed after `option` is a day; return it as ISO text."""
    try:
        return datetime.fromisoformat(text.strip()).date().isoformat()
    except ValueError:
        raise UsageError(f"{option} {text} is not a date; write it like 2026-05-04.") from None


def local(instant: Any, zone: str | None, *, clock_only: bool = False) -> str:
    """Words for an instant in a zone (UTC when there is none); empty when it is missing."""
    if isinstance(instant, str):
        instant = datetime.fromisoformat(instant)
    if instant is None or instant != instant:  # NaT is not equal to itself
        return ""
    there = instant.astimezone(ZoneInfo(zone or "UTC"))
    return str(there.strftime("%H:%M %Z" if clock_only else "%Y-%m-%d %H:%M %Z"))
