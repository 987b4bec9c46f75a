"""What shows that a clock was wrong, on logs whose fault was planted by hand."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.clock.clock_evidence import (
    ClockEvidence,
    calendar_text,
    clock_evidence,
    evidence_text,
)
from arcdrift.clock_bounds import ClockBounds

NOW = pd.Timestamp("2026-06-01", tz="UTC")
UTC_ZONE = ZoneInfo("UTC")
A_DAY = 8
"""Splices of a day: 08:00 to 11:30."""


def log(off: timedelta, first: int, end: int, *, counter: str = "splice_number", days: int = 20):
    """Splices numbered from 1, of which those from `first` up to `end` are off by `off`."""
    number = np.arange(1, A_DAY * days + 1)
    true = pd.Timestamp("2026-05-01 08:00", tz="UTC") + pd.to_timedelta(
        (number - 1) // A_DAY * 1440 + (number - 1) % A_DAY * 30, unit="min"
    )
    wrong = (number >= first) & (number < end)
    return pd.DataFrame(
        {
            "id": number,
            "import_id": 1,
            "spliced_at": pd.Series(true).where(~wrong, pd.Series(true + off)).dt.as_unit("us"),
            "splice_number": np.nan,
            "arc_count": np.nan,
            counter: number.astype(float),
        }
    )


def stretch(splices: pd.DataFrame, first: int, end: int) -> ClockBounds:
    times = splices["spliced_at"].iloc[first - 1 : end - 1]
    counts = {} if splices["splice_number"].isna().all() else {"first_number": float(first)}
    if counts and end <= len(splices):
        counts["end_number"] = float(end)
    return ClockBounds("Heron", times.min(), times.max() + pd.Timedelta(microseconds=1), **counts)


def found(splices, first, end, shift, now=NOW) -> ClockEvidence:
    evidence = clock_evidence(splices, stretch(splices, first, end), now, shift)
    assert isinstance(evidence, ClockEvidence), evidence
    return evidence


def numbers(evidence: ClockEvidence, *, wrong: bool) -> list[int]:
    rows = evidence.rows
    return rows.loc[rows["wrong"] == wrong, "count"].astype(int).tolist()


def test_time_that_goes_back_is_shown_where_it_does():
    # slow by seven hours from the fifth splice of the eleventh day
    splices = log(-timedelta(hours=7), 85, 129)
    evidence = found(splices, 85, 129, timedelta(hours=7))
    assert (evidence.proof, evidence.counter) == ("back", "splice_number")
    assert evidence_text(evidence, UTC_ZONE) == (
        "Splice 85 was made after splice 84, yet its logged time is 6 h 30 min earlier."
    )
    # thirty hours on either side: that day, the one before and the one after
    assert numbers(evidence, wrong=True) == list(range(85, 97))
    assert numbers(evidence, wrong=False) == list(range(73, 85))
    logged = splices.set_index("splice_number")["spliced_at"]
    assert evidence.rows["logged"].tolist() == logged[evidence.rows["count"]].tolist()


def test_a_fast_clock_goes_back_at_its_end():
    splices = log(timedelta(hours=9), 81, 93)
    evidence = found(splices, 81, 93, -timedelta(hours=9))
    assert evidence_text(evidence, UTC_ZONE) == (
        "Splice 93 was made after splice 92, yet its logged time is 8 h 30 min earlier."
    )
    # the stretch is short, so that what came before it is shown as well
    assert numbers(evidence, wrong=True) == list(range(81, 93))
    assert numbers(evidence, wrong=False) == [*range(65, 81), *range(93, 105)]


def test_an_arc_count_tells_as_well():
    splices = log(-timedelta(days=9000), 81, 97, counter="arc_count")
    evidence = found(splices, 81, 97, timedelta(days=9000))
    assert evidence_text(evidence, UTC_ZONE) == (
        "The splice at arc count 81 was made after the splice at arc count 80, yet its logged time "
        "is 8,999 days 3 h 30 min earlier."
    )
    assert numbers(evidence, wrong=True) == list(range(81, 97))


def test_a_leap_within_a_workday_is_told_with_its_count():
    # fast by five hours from within a day, right again after a night
    splices = log(timedelta(hours=5), 85, 113)
    evidence = found(splices, 85, 113, -timedelta(hours=5))
    assert evidence.proof == "forward"
    assert evidence_text(evidence, UTC_ZONE) == (
        "From splice 112 to splice 113 the logged time leaps ahead by 15 h 30 min, while the count "
        "moves on by 1."
    )


@pytest.mark.parametrize("first", [1, 85])
def test_times_to_come_and_times_before_the_crew(first: int):
    splices = log(timedelta(days=30), first, 161)
    ahead = found(splices, first, 161, None)
    text = "Its logged times lie in the future, up to 19 Jun 2026, 11:30."
    assert (ahead.proof, evidence_text(ahead, UTC_ZONE)) == ("future", text)
    assert calendar_text(stretch(splices, first, 161), NOW, UTC_ZONE) == text
    assert (ahead.step is None) == (first == 1)


def test_a_log_that_is_all_before_the_first_day():
    splices = log(-timedelta(days=9000), 1, 161)
    evidence = found(splices, 1, 161, None)
    text = "Its logged times lie before the crew's first day on record."
    assert (evidence.proof, evidence_text(evidence, UTC_ZONE)) == ("early", text)
    assert calendar_text(stretch(splices, 1, 161), NOW, UTC_ZONE) == text


def test_a_count_that_began_anew_is_not_mixed_with_the_earlier_one():
    splices = log(-timedelta(hours=7), 85, 129)
    splices["splice_number"] -= np.where(splices["splice_number"] > 80, 80, 0)
    bounds = ClockBounds(
        "Heron",
        splices["spliced_at"].iloc[84],
        splices["spliced_at"].iloc[127] + pd.Timedelta(microseconds=1),
        first_number=5.0,
        end_number=49.0,
    )
    evidence = clock_evidence(splices, bounds, NOW, timedelta(hours=7))
    assert isinstance(evidence, ClockEvidence)
    assert numbers(evidence, wrong=False) == [1, 2, 3, 4]


def test_why_nothing_can_be_shown():
    splices = log(timedelta(hours=5), 85, 113)
    bounds = stretch(splices, 85, 113)
    assert "neither splice numbers nor arc counts" in str(
        clock_evidence(splices.assign(splice_number=np.nan), bounds, NOW, None)
    )
    past = ClockBounds("Heron", *(datetime(2020, 1, day, tzinfo=UTC) for day in (1, 2)))
    assert clock_evidence(splices, past, NOW, None) == (
        "none of its counted splices lies in this stretch"
    )
