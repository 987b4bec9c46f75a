"""Instants as the store keeps them: microseconds since 1970 in UTC.

Apart from `arcdrift.times`, because commands that only list something do without pandas.
"""

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def microseconds(instant: datetime) -> int:
    """Microseconds since 1970 UTC of an aware instant, as the store keeps it."""
    if instant.tzinfo is None:
        raise ValueError("an instant without a time zone")
    return (instant - _EPOCH) // timedelta(microseconds=1)


def instant_at(microseconds_utc: int) -> datetime:
    """Aware instant (UTC) of microseconds since 1970, as the store keeps it."""
    return _EPOCH + timedelta(microseconds=microseconds_utc)
