"""Findings from the daily checks that are easy to get wrong: shifts, doubtful settings."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.checks.check_findings import check_findings, doubtful_findings
from arcdrift.analysis.checks.doubtful_checks import doubt_limits, doubtful_limit
from tests.analysis.review.test_review_findings import NOW, check_days


def test_a_check_of_the_same_shift_points_at_the_days_boundary() -> None:
    days = check_days(["checked", "missed", "missed", "missed"]).assign(
        same_shift=[False, True, False, True]
    )
    (found,) = check_findings(days, NOW)
    assert found.evidence["days_with_a_check_just_before_the_workday"] == 2
    assert found.next_step.startswith("On 2 of these days a check had passed")
    assert "day_starts_at" in found.next_step
    (plain,) = check_findings(days.assign(same_shift=False), NOW)
    assert "day_starts_at" not in plain.next_step
    assert plain.id == found.id


def checked(*rows: tuple[float, int], splicer: str = "Heron") -> pd.DataFrame:
    """(z, epoch) of checks at 07:00 UTC on days that follow each other; z None: not judged."""
    frame = pd.DataFrame(rows, columns=["z", "epoch"]).astype({"z": float})
    when = pd.date_range("2026-09-20T07:00Z", periods=len(frame), freq="D").as_unit("us")
    return frame.assign(
        splicer=splicer,
        checked_at=when,
        point=0,
        expected=100.0,
        arc_setting=100.0 + 3.0 * frame["z"].fillna(0.0),
    )


def doubted(points: pd.DataFrame) -> list[Any]:
    # one false doubt in 2,000 checks, which the least limit of 3.5 sd keeps
    points = points.assign(doubt_limit=doubt_limits(points, 2000.0))
    return doubtful_findings(points, {"Heron": "steps"}, NOW)


def test_a_jump_the_next_check_takes_back_is_doubted() -> None:
    (found,) = doubted(checked((0.2, 0), (5.0, 0), (-0.4, 0), (0.1, 0)))
    assert (found.kind, found.subject_id, found.severity) == ("check-doubtful", "Heron", "note")
    assert found.since == found.until == pd.Timestamp("2026-09-21T07:00Z")
    assert found.evidence == {
        "checks": 1,
        "setting_found": 115.0,
        "setting_forecast": 100.0,
        "setting_next": 98.8,
        "setting_unit": "steps",
        "sd_from_forecast": 5.0,
        "hours_until_next_check": 24.0,
    }
    assert "set 115 steps where 100 was forecast" in found.summary
    for words in ("v-grooves with the power off", "newly cleaved check fiber", "repeat it"):
        assert words in found.next_step


@pytest.mark.parametrize(
    "rows",
    [
        [(0.1, 0), (5.0, 0), (4.0, 0), (3.8, 0)],  # the next check confirms: the arc moved
        [(0.1, 0), (-5.0, 0), (-1.1, 0)],
        [(0.1, 0), (3.4, 0), (-0.2, 0)],  # not far enough
        [(0.1, 0), (5.0, 0)],  # the latest check: nothing has spoken against it yet
        [(0.1, 0), (5.0, 0), (None, 0)],  # the next one could not be judged
        [(0.1, 0), (5.0, 0), (0.2, 1)],  # new electrodes in between: nothing to compare
        [(None, 0), (None, 0)],
    ],
)
def test_what_is_confirmed_near_or_unanswered_is_not_doubted(rows: Any) -> None:
    assert doubted(checked(*rows)) == []


def test_a_check_that_could_not_be_judged_is_passed_over() -> None:
    (found,) = doubted(checked((5.0, 0), (None, 0), (0.0, 0)))
    assert found.evidence["hours_until_next_check"] == 48.0


def test_splicers_do_not_answer_for_each_other() -> None:
    both = pd.concat([checked((0.1, 0), (5.0, 0)), checked((0.1, 0), (0.2, 0), splicer="Plover")])
    assert doubted(both) == []


def test_repeated_doubt_is_one_finding() -> None:
    points = checked((5.0, 0), (0.0, 0), (-4.0, 0), (0.0, 0))
    (found,) = doubted(points.iloc[::-1])
    assert found.evidence["checks"] == 2
    assert found.evidence["sd_from_forecast"] == -4.0
    assert found.summary.endswith("it is the last of 2 such checks.")


def test_no_points_no_doubt() -> None:
    assert doubted(pd.DataFrame()) == []


@pytest.mark.parametrize("checks_per_alarm", [3_000.0, 50_000.0])
def test_correct_checks_are_doubted_as_rarely_as_the_limit_promises(
    checks_per_alarm: float,
) -> None:
    # drawn checks: standard normal, independent of each other
    rng = np.random.default_rng(4)
    n = 2_000_000
    z, limit = rng.standard_normal(n), doubtful_limit(checks_per_alarm)
    doubted = (np.abs(z[:-1]) > limit) & (np.sign(z[:-1]) * z[1:] < 1.0)
    expected = n / checks_per_alarm
    assert doubted.sum() == pytest.approx(expected, abs=4 * np.sqrt(expected))


def test_a_small_crew_does_not_doubt_a_check_on_weak_evidence() -> None:
    assert doubtful_limit(50.0) == 3.5
