"""A wrong check is reported as doubtful; correct checks and a true shift of the arc are not.

A wrong check is one setting shifted by six of its predictive standard deviations.
"""

from dataclasses import replace

import pandas as pd
import pytest

from arcdrift.analysis.review.pipeline import assess
from arcdrift.charts.intervals import Z95
from arcdrift.simulate import invented_crew
from tests.recovery.crews import Run, run_crew

SD = 6.0


@pytest.fixture(scope="module")
def healthy() -> Run:
    return run_crew(invented_crew(splicers=6, days=90, splices_per_day=15, seed=2))


def moved(run: Run, *, lasting: bool) -> tuple[Run, dict[str, pd.Timestamp]]:
    """Shift one check of every splicer; with `lasting`, all from there to the next electrodes."""
    judged = (
        run.assessment.frames["result_arc_points"].dropna(subset=["z"]).sort_values("checked_at")
    )
    points, when = run.summary.arc_points.copy(), {}
    for name, checks in judged.groupby("splicer"):
        same = (checks["epoch"] == checks["epoch"].shift(-1)) & (
            checks["epoch"] == checks["epoch"].shift(3)
        )
        row = checks[same].iloc[len(checks[same]) // 2]
        here = points["checked_at"] == row["checked_at"]
        if lasting:
            here = (points["checked_at"] >= row["checked_at"]) & (points["epoch"] == row["epoch"])
        here &= points["splicer"] == name
        sd = (row["expected_high"] - row["expected_low"]) / (2 * Z95)
        points.loc[here, "arc_setting"] += SD * sd
        when[str(name)] = row["checked_at"]
    summary = replace(run.summary, arc_points=points)
    service = run.made["service"]
    return replace(run, assessment=assess(summary, service, run.made.crew, run.now)), when


def doubted(run: Run) -> set[tuple[str, pd.Timestamp]]:
    return {
        (finding.subject_id, pd.Timestamp(finding.until))
        for finding in run.findings
        if finding.kind == "check-doubtful"
    }


def test_healthy_checks_are_hardly_ever_doubted(healthy: Run) -> None:
    # some 250 judged checks
    assert len(doubted(healthy)) <= 1


def test_spoiled_checks_are_doubted(healthy: Run) -> None:
    run, when = moved(healthy, lasting=False)
    assert len(when) == 6
    assert len(doubted(run) & set(when.items())) >= 5


@pytest.mark.long  # one moved arc is tested in tests/analysis/checks/test_check_findings.py
def test_an_arc_that_moved_is_not_a_doubtful_check(healthy: Run) -> None:
    run, when = moved(healthy, lasting=True)
    assert len(doubted(run) & set(when.items())) <= 1
