"""Instants named by words: yesterday, today, 7 days; all days are workdays of the crew."""

import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from arcdrift.errors import UsageError

_SPAN = re.compile(r"(?P<count>\d{1,4}) ?(?P<unit>h|hours?|d|days?|w|weeks?)")
_LONGEST_DAYS = 3660


def workday(at: datetime, zone: str, day_offset: timedelta) -> date:
    """Workday of an instant: the local day, which begins `day_offset` after midnight."""
    return (at.astimezone(ZoneInfo(zone)).replace(tzinfo=None) - day_offset).date()


def workday_start(day: date, zone: str, day_offset: timedelta) -> datetime:
    """First instant (UTC) of a workday."""
    midnight = datetime(day.year, day.month, day.day)
    return (midnight + day_offset).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)


def since_instant(
    text: str, now: datetime, zone: str | None, day_offset: timedelta = timedelta(0)
) -> datetime:
    """Instant (UTC) that a word, a date or a time names.

    Parameters
    ----------
    text : str
        ``today``, ``yesterday``, a span such as ``12 hours``, ``7 days`` or ``2 weeks``, or an ISO
        8601 date or time. Days begin with the crew's workday; a span of days counts whole days.
    now : datetime
        The present.
    zone : str or None
        The crew's time zone.

    Raises
    ------
    UsageError
        When it is none of these, lies in the future, or the crew has no time zone.
    """
    words = " ".join(text.lower().split())
    span = _SPAN.fullmatch(words)
    if span is not None and span["unit"].startswith("h"):
        return now - timedelta(hours=int(span["count"]))
    given = None if words in ("today", "yesterday") or span else _instant(text)
    if given is not None and given.tzinfo is not None:
        return _past(given.astimezone(UTC), now, text)
    if zone is None:
        raise UsageError(
            f"--since {text} is local time, but the crew has no time zone; set time_zone in "
            "crew.toml, or write a time with its offset, as in 2026-05-04T07:30+02:00."
        )
    if given is not None:
        if len(text.strip()) > len("2026-05-04"):
            return _past(given.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC), now, text)
        return _past(workday_start(given.date(), zone, day_offset), now, text)
    days = 0 if words == "today" else 1
    if span is not None:
        days = int(span["count"]) * (7 if span["unit"].startswith("w") else 1)
        if days > _LONGEST_DAYS:
            raise UsageError(f"--since {text} is more than ten years ago; write a date.")
    return workday_start(workday(now, zone, day_offset) - timedelta(days=days), zone, day_offset)


def _instant(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(
            f"--since {text} is not understood; write yesterday, today, 7 days, last, a date such "
            "as 2026-05-04, or a time such as 2026-05-04T07:30."
        ) from None


def _past(at: datetime, now: datetime, text: str) -> datetime:
    if at > now:
        raise UsageError(f"--since {text} lies in the future; write a day or a time that is past.")
    return at
