"""Months and years of reports come from the dates around them, and are never guessed."""

from datetime import date

import pytest

from arcdrift.intake.bulletins.report_dates import DateRange, range_in, range_in_name


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("202611300020 ", "2026-11-29", "2026-12-01"),
        ("20261130 ", "2026-11-29", "2026-12-01"),
        ("2026/11/30 00:20", "2026-11-29", "2026-12-01"),
        ("ENXX,2026,11,30,00,20,METAR ", "2026-11-29", "2026-12-01"),
        ("ENXX,2026,3,1,00,20,METAR ", "2026-02-28", "2026-03-02"),
        ("ENXX,2026-11-30 00:20,53.6,46.4,", "2026-11-29", "2026-12-01"),
        ("2026-11-01 2026-11-30", "2026-11-01", "2026-11-30"),
        ("2028-02", "2028-02-01", "2028-02-29"),
        ("ENXX_202611", "2026-11-01", "2026-11-30"),
        ("2026-12 2027-01", "2026-12-01", "2027-01-31"),
    ],
)
def test_ranges_that_texts_name(text, first, last):
    expected = DateRange(date.fromisoformat(first), date.fromisoformat(last))
    assert range_in(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        "30.11.2026",  # the year is not first
        "11/30/2026",
        "200812",  # August 12, 2020, or December 2008
        "2026-13-01",
        "2026",
        "2026-11-01 2026-11-10 2026-11-20",
        "1234567890",
    ],
)
def test_texts_that_name_no_range(text):
    assert range_in(text) is None


@pytest.mark.parametrize(
    ("days", "day", "expected"),
    [
        (("2026-11-29", "2026-12-01"), 30, "2026-11-30"),
        (("2026-11-29", "2026-12-01"), 1, "2026-12-01"),
        (("2026-11-29", "2026-12-01"), 2, None),
        (("2026-12-31", "2027-01-02"), 31, "2026-12-31"),
        (("2026-11-01", "2026-11-30"), 31, None),
        (("2026-10-15", "2026-11-20"), 16, None),  # twice
        (("2026-10-15", "2026-11-20"), 25, "2026-10-25"),
        (("2026-01-01", "2026-12-31"), 31, None),
    ],
)
def test_a_day_is_settled_only_where_it_comes_once(days, day, expected):
    found = DateRange(*map(date.fromisoformat, days)).date_of(day)
    assert found == (None if expected is None else date.fromisoformat(expected))


def test_the_file_counts_before_its_folder():
    assert range_in_name("2026-10.zip/ENXX-2026-11.txt") == range_in("2026-11")
    assert range_in_name("2026-10.zip/ENXX.txt") == range_in("2026-10")
    assert range_in_name("ENXX.txt") is None
