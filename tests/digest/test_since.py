"""Words, dates and times for --since, in workdays of the crew."""

from datetime import UTC, datetime, timedelta

import pytest

from arcdrift.digest.since import since_instant, workday
from arcdrift.errors import UsageError

NOW = datetime(2026, 11, 18, 6, 30, tzinfo=UTC)  # 07:30 in Oslo


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("today", "2026-11-17T23:00"),
        (" Yesterday ", "2026-11-16T23:00"),
        ("7 days", "2026-11-10T23:00"),
        ("1 day", "2026-11-16T23:00"),
        ("2w", "2026-11-03T23:00"),
        ("12 hours", "2026-11-17T18:30"),
        ("2026-11-04", "2026-11-03T23:00"),
        ("2026-11-04T07:30", "2026-11-04T06:30"),
        ("2026-11-04T07:30+00:00", "2026-11-04T07:30"),
    ],
)
def test_words_dates_and_times(text: str, expected: str) -> None:
    wanted = datetime.fromisoformat(expected).replace(tzinfo=UTC)
    assert since_instant(text, NOW, "Europe/Oslo") == wanted


def test_days_begin_with_the_workday_of_a_night_shift() -> None:
    night = datetime(2026, 11, 18, 3, 0, tzinfo=UTC)  # 04:00 in Oslo, still the shift of the 17th
    six = timedelta(hours=6)
    assert workday(night, "Europe/Oslo", six).isoformat() == "2026-11-17"
    assert since_instant("today", night, "Europe/Oslo", six) == datetime(
        2026, 11, 17, 5, tzinfo=UTC
    )
    # a date is its workday too, a time is that time
    assert since_instant("2026-11-04", night, "Europe/Oslo", six).hour == 5
    assert since_instant("2026-11-04T00:00", night, "Europe/Oslo", six).hour == 23


def test_a_day_in_which_clocks_change_has_its_own_length() -> None:
    sunday = datetime(2026, 10, 25, 12, 0, tzinfo=UTC)
    start = since_instant("today", sunday, "Europe/Oslo")
    assert start == datetime(2026, 10, 24, 22, tzinfo=UTC)
    after = since_instant("today", sunday + timedelta(days=1), "Europe/Oslo")
    assert after - start == timedelta(hours=25)


@pytest.mark.parametrize(
    ("text", "zone", "sentence"),
    [
        ("last tuesday", "Europe/Oslo", "is not understood; write yesterday"),
        ("", "Europe/Oslo", "is not understood"),
        ("2026-11-19", "Europe/Oslo", "lies in the future"),
        ("9999 days", "Europe/Oslo", "more than ten years ago"),
        ("yesterday", None, "set time_zone in crew.toml"),
        ("2026-11-04", None, "set time_zone in crew.toml"),
    ],
)
def test_what_is_not_understood_is_refused(text: str, zone: str | None, sentence: str) -> None:
    with pytest.raises(UsageError, match=sentence):
        since_instant(text, NOW, zone)
