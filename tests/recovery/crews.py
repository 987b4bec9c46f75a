"""Simulated crews run through the analyses in memory, as a review would."""

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.analysis.clock.clock_errors import crew_start
from arcdrift.analysis.review.pipeline import Assessment, assess
from arcdrift.analysis.review.summary import Summary, summarize
from arcdrift.finding import Finding
from arcdrift.simulate import Scenario, SimulatedCrew, simulate_frames


@dataclass(frozen=True)
class Run:
    """One simulated crew: its records and truth, their summary, and the results of the analyses."""

    made: SimulatedCrew
    summary: Summary
    assessment: Assessment
    now: pd.Timestamp

    @property
    def findings(self) -> tuple[Finding, ...]:
        return self.assessment.findings

    def about(self, subject: str, kinds: set[str]) -> list[Finding]:
        """Findings of some kinds on a splicer or on one of its streams."""
        return [
            finding
            for finding in self.findings
            if finding.kind in kinds and finding.subject_id.split(" / ")[0] == subject
        ]


def run_crew(
    scenario: Scenario, altered: Callable[[pd.DataFrame], pd.DataFrame] | None = None
) -> Run:
    """Simulate a crew and review it; ``altered`` may change its splices before the review."""
    made = simulate_frames(scenario)
    if altered is not None:
        made.records["splices"] = altered(made["splices"])
    return review_made(scenario, made)


def review_made(scenario: Scenario, made: SimulatedCrew) -> Run:
    """Review the records of a simulated crew."""
    readings = prepare_readings(made["readings"], made.crew)
    now = pd.Timestamp(scenario.end).as_unit("us")
    began = crew_start(made["arc-checks"], "checked_at")
    summary = summarize(
        made["splices"].sort_values(["splicer", "id"], ignore_index=True),
        made["arc-checks"], readings, made["service"], made.crew, now, began=began,
    )  # fmt: skip
    return Run(made, summary, assess(summary, made["service"], made.crew, now), now)
