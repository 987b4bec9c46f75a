"""Probabilities and spans of time as people read them."""

import pandas as pd
import pytest

from arcdrift.wording import probability_text, screen_text, span_text


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
