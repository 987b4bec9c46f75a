"""The format of the times in a sample, from all of its values."""

from datetime import UTC, datetime

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arcdrift.intake.draft.values.date_formats import time_format_of

NOW = datetime(2026, 12, 1, tzinfo=UTC)


def texts(*values):
    return pd.Series(values, dtype="str")


@pytest.mark.parametrize(
    ("values", "formats"),
    [
        (("04.05.2026 10:00", "13.05.2026 11:00"), ["%d.%m.%Y %H:%M"]),
        (("4/5/2026 9:05 AM", "4/25/2026 1:15 PM"), ["%m/%d/%Y %I:%M %p"]),
        (("04/05/2026", "12/11/2025"), ["%d/%m/%Y", "%m/%d/%Y"]),
        (("04.05.2026 10:00",), ["%d.%m.%Y %H:%M", "%m.%d.%Y %H:%M"]),
        (("2026/05/04 10:00:01",), ["%Y/%m/%d %H:%M:%S"]),
        (("20260504 101112",), ["%Y%m%d %H%M%S"]),
        (("4 May 2026 10:00", "14 Jun 2026 10:00"), ["%d %b %Y %H:%M"]),
        (("May 4, 2026 1:00 PM",), ["%b %d, %Y %I:%M %p"]),
        (("14.05.2026 10:00:01,250",), ["%d.%m.%Y %H:%M:%S,%f"]),
        (("14.05.2026 10:00:01+02:00",), ["%d.%m.%Y %H:%M:%S%z"]),
        # two-digit years: the year may come first as well, unless that lies in the future
        (("04/05/06", "05/04/07"), ["%d/%m/%y", "%m/%d/%y", "%y/%m/%d"]),
        (("04/05/26", "30/05/26"), ["%d/%m/%y"]),
        (("2026-05-04 10:00",), []),
        (("2026-05-04T10:00:00Z",), []),
        (("Mo 04.05.2026 10:00", "Mi. 13.05.2026 11:00"), ["%d.%m.%Y %H:%M"]),
        (("lun. 04/05/2026", "mer. 13/05/2026"), ["%d/%m/%Y"]),
        (("Monday, May 4, 2026 1:00 PM", "Tuesday, May 5, 2026 2:00 PM"), ["%b %d, %Y %I:%M %p"]),
        (("Mon 2026-05-04 10:00", "Tue 2026-05-05 10:00"), []),
        (("10:00", "11:00"), []),
        (("soon", "later"), []),
    ],
)
def test_order_of_dates(values, formats):
    found = time_format_of(texts(*values), NOW).choices
    assert [choice.time_format for choice in found] == formats


def test_one_value_beyond_twelve_tells_the_order():
    # eleven days of a month fit both orders, the twelfth of them only one
    both = [f"{day:02}/06/2026 08:00" for day in range(1, 13)]
    assert len(time_format_of(texts(*both), NOW).choices) == 2
    decided = time_format_of(texts(*both, "13/06/2026 08:00"), NOW).choices
    assert [choice.order for choice in decided] == ["day first"]
    assert (decided[0].first, decided[0].last) == ("2026-06-01", "2026-06-13")


def test_values_that_contradict_each_other_tell_no_order():
    both = [f"{day:02}/{month:02}/2026" for day in range(1, 12) for month in range(1, 12)]
    found = time_format_of(texts(*both, "13/06/2026", "06/13/2026"), NOW).choices
    assert [choice.order for choice in found] == ["day first", "month first"]


@given(
    st.lists(
        st.datetimes(min_value=datetime(1995, 1, 1), max_value=datetime(2026, 11, 30)),
        min_size=1,
        max_size=30,
    ),
    st.sampled_from(["%d.%m.%Y %H:%M", "%m/%d/%Y %I:%M %p", "%Y/%m/%d %H:%M:%S", "%d-%m-%y %H:%M"]),
)
def test_the_right_format_is_always_among_the_choices(moments, time_format):
    values = texts(*dict.fromkeys(moment.strftime(time_format) for moment in moments))
    found = time_format_of(values, NOW)
    assert time_format in [choice.time_format for choice in found.choices]
    assert found.has_date
    assert found.has_clock
