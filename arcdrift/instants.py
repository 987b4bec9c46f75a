"""Instants as the store keeps them: microseconds since 1970 in UTC.

Apart from `arcdrift.times`, because commands that only list something do without pandas.
"""

from datetime import UTC, date, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def microseconds(instant: datetime) -> int:
    """Microseconds since 1970 UTC of an aware instant, as the store keeps it."""
    if instant.tzinfo is None:
        raise ValueError("an instant without a time zone")
    return (instant - _EPOCH) // timedelta(microseconds=1)


def day_text(day: date) -> str:
    """A day as 16 Nov 2026, the one format of days in sentences."""
    return f"{day.day} {day:%b %Y}"


def instant_text(local: datetime) -> str:
    """A local day and time as 16 Nov 2026, 08:05, the one format of instants in sentences."""
    return f"{day_text(local)}, {local:%H:%M}"


def instant_at(microseconds_utc: int) -> datetime:
    """Aware instant (UTC) of microseconds since 1970, as the store keeps it."""
    return _EPOCH + timedelta(microseconds=microseconds_utc)
