"""Simulated crews run through the analyses in memory, as a review would."""

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from arcdrift.air import prepare_readings
from arcdrift.analysis.clocks import crew_began
from arcdrift.analysis.crew import Assessment, assess
from arcdrift.analysis.splicer import SplicerSummary, summarize
from arcdrift.finding import Finding
from arcdrift.simulate import Scenario, SimulatedCrew, simulate_frames

MONTH = 22


@dataclass(frozen=True)
class Run:
    """One crew: what happened, and what the analyses say."""

    made: SimulatedCrew
    summaries: list[SplicerSummary]
    told: Assessment
    now: pd.Timestamp

    @property
    def findings(self) -> tuple[Finding, ...]:
        return self.told.findings

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
    """Simulate a crew and review it; ``altered`` may change its splices before."""
    made = simulate_frames(scenario)
    if altered is not None:
        made.records["splices"] = altered(made["splices"])
    readings = prepare_readings(made["readings"], made.crew)
    now = pd.Timestamp(scenario.end).as_unit("us")
    splices = dict(list(made["splices"].groupby("splicer")))
    checks = dict(list(made["arc-checks"].groupby("splicer")))
    service = dict(list(made["service"].groupby("asset")))
    began = crew_began(made["arc-checks"], "checked_at")
    nothing = made["service"].iloc[:0]
    summaries = [
        summarize(
            str(name),
            splices[name].reset_index(drop=True),
            checks.get(name, made["arc-checks"].iloc[:0]).reset_index(drop=True),
            readings,
            service.get(name, nothing),
            made.crew,
            now,
            began=began,
        )
        for name in sorted(splices)
    ]
    return Run(made, summaries, assess(summaries, made["service"], made.crew, now), now)
