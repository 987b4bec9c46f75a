"""Ticks and places on axes of paper, with values worked out by hand."""

import base64

import numpy as np
import pandas as pd
import pytest

from arcdrift.figures.svg.svg_axes import axis_of, numbers


def texts(settings: dict[str, object], low: object, high: object, length: float) -> list[str]:
    axis = axis_of({**settings, "range": [low, high]}, [], 0.0, length)
    return [" ".join(tick.lines) for tick in axis.ticks()]


@pytest.mark.parametrize(
    ("low", "high", "nticks", "expected"),
    [
        (0.0, 0.118, 6, ["0.00", "0.02", "0.04", "0.06", "0.08", "0.10"]),
        (-9.0, 11.0, 4, ["\u22125", "0", "5", "10"]),
        (0.0, 0.0042, 5, ["0.000", "0.001", "0.002", "0.003", "0.004"]),
        (99.0, 101.0, 2, ["99", "100", "101"]),
    ],
)
def test_numbers_are_told_in_steps_of_one_two_or_five(low, high, nticks, expected):
    assert texts({"nticks": nticks}, low, high, 300.0) == expected


def test_a_format_and_a_suffix_of_the_builder_are_kept():
    settings = {"nticks": 4, "tickformat": ".1f", "ticksuffix": " %"}
    expected = ["\u221210.0 %", "\u22125.0 %", "0.0 %", "5.0 %", "10.0 %"]
    assert texts(settings, -10, 10, 300.0) == expected


@pytest.mark.parametrize(
    ("first", "last", "length", "expected"),
    [
        # 9 Nov 2026 is a Monday
        ("2026-11-04", "2026-11-29", 300.0, ["9 Nov 2026", "16 Nov", "23 Nov"]),
        ("2026-11-09", "2026-11-12", 300.0, ["9 Nov 2026", "10 Nov", "11 Nov", "12 Nov"]),
        ("2025-11-15", "2026-04-10", 300.0, ["1 Jan 2026", "1 Mar"]),
        ("2025-12-01", "2026-02-01", 250.0, ["22 Dec 2025", "19 Jan 2026"]),
        ("2020-03-01", "2026-03-01", 400.0, ["1 Jan 2022", "1 Jan 2024", "1 Jan 2026"]),
    ],
)
def test_days_are_told_at_mondays_or_first_days_of_months(first, last, length, expected):
    assert texts({"type": "date"}, first, last, length) == expected


def test_a_value_lies_where_it_should_and_a_domain_takes_a_part():
    axis = axis_of({"range": [0, 10], "domain": [0.5, 1.0]}, [], 200.0, 0.0)
    assert [axis.place(value) for value in (0, 5, 10)] == [100.0, 50.0, 0.0]
    time = axis_of({"type": "date", "range": ["2026-01-01", "2026-01-11"]}, [], 10.0, 110.0)
    (noon,) = numbers(["2026-01-06T00:00:00"], is_date=True)
    assert time.place(noon) == pytest.approx(60.0)


def test_without_a_range_the_values_are_seen_with_room_at_both_ends():
    axis = axis_of({}, [float("nan"), 2.0, 4.0], 0.0, 100.0)
    assert (axis.low, axis.high) == pytest.approx((1.9, 4.1))
    alone = axis_of({}, [3.0], 0.0, 100.0)
    assert alone.low < 3.0 < alone.high
    assert axis_of({}, [], 0.0, 100.0).ticks()


def test_numbers_come_in_the_forms_that_figures_have():
    packed = {"dtype": "f8", "bdata": base64.b64encode(np.array([1.5, np.nan]).tobytes()).decode()}
    assert numbers(packed, is_date=False)[0] == 1.5
    assert np.isnan(numbers([None], is_date=False)[0])
    stamps = [pd.Timestamp("1970-01-02"), "1970-01-02T00:00:00", np.datetime64("1970-01-02")]
    assert numbers(stamps, is_date=True) == [86_400_000.0] * 3
