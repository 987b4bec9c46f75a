"""Probabilities and spans of time as people read them."""

from datetime import datetime

import pandas as pd
import pytest

from arcdrift.instants import day_text, instant_text
from arcdrift.wording import (
    change_text,
    change_words,
    interval_text,
    number_text,
    percent_text,
    probability_text,
    screen_text,
    span_text,
)


@pytest.mark.parametrize(
    ("probability", "words"),
    [(0.0, "under 1 %"), (0.0099, "under 1 %"), (0.3, "30 %"), (0.995, "over 99 %")],
)
def test_chances_never_claim_certainty(probability, words):
    assert probability_text(probability) == words


@pytest.mark.parametrize(
    ("minutes", "words"),
    [(59, "59 min"), (90, "2 h"), (47 * 60, "47 h"), (48 * 60, "2 days")],
)
def test_spans_have_one_unit(minutes, words):
    assert span_text(pd.Timedelta(minutes=minutes)) == words


def test_a_span_may_stay_in_minutes_longer():
    assert span_text(pd.Timedelta(minutes=90), minutes_below=120) == "90 min"


def test_days_and_percentages_on_pages_have_one_format() -> None:
    text = "Heron: 5.4% dirty since 2026-08-26 (+112%), 36 % before; 2026-02-30, F2026-01-02."
    assert screen_text(text) == (
        "Heron: 5.4 % dirty since 26 Aug 2026 (+112 %), 36 % before; 2026-02-30, F2026-01-02."
    )


def test_a_day_and_an_instant_have_their_year_and_no_zero_before_the_day() -> None:
    at = datetime(2026, 11, 3, 8, 5)
    assert day_text(at) == "3 Nov 2026"
    assert instant_text(at) == "3 Nov 2026, 08:05"


@pytest.mark.parametrize(
    ("share", "text"),
    [(0.36, "36 %"), (0.0094, "0.9 %"), (0.0004, "under 0.1 %"), (0.0, "0 %"), (1.0, "100 %"),
     (-0.12, "\u221212 %")],
)  # fmt: skip
def test_a_share_in_percent(share: float, text: str) -> None:
    assert percent_text(share) == text


def test_shares_of_a_column_have_the_same_decimals() -> None:
    assert [percent_text(share, 1) for share in (0.0, 0.004, 0.36)] == ["0.0 %", "0.4 %", "36.0 %"]


@pytest.mark.parametrize(
    ("change", "text", "words"),
    [(0.28, "+28 %", "up 28 %"), (-0.034, "\u22123 %", "down 3 %"), (-0.004, "0 %", "unchanged"),
     (12.0, "+1,200 %", "up 1,200 %")],
)  # fmt: skip
def test_a_change_has_a_real_minus_and_none_at_zero(change: float, text: str, words: str) -> None:
    assert change_text(change) == text
    assert change_words(change) == words


def test_an_interval_names_its_unit_once_and_no_second_percentage() -> None:
    assert interval_text(87.7, 86.7, 88.7, "%", 1) == "87.7 (86.7 to 88.7) %"
    assert interval_text(-1.2, -3.0, 0.6, "steps", 1, signed=True) == (
        "\u22121.2 (\u22123.0 to +0.6) steps"
    )
    assert interval_text(4, 2, float("inf"), "days") == "4 (2 to no limit) days"
    assert number_text(-0.04, 1) == "0.0"
    assert number_text(12345.6) == "12,346"
