"""Simulated crews run through the analyses in memory, as a review would."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.analysis.causes.alarm_attribution import attribute_alarms
from arcdrift.analysis.causes.records_near_onset import RecordsNearOnset
from arcdrift.analysis.clock.clock_errors import crew_start
from arcdrift.analysis.loss.loss_charts import chart_all
from arcdrift.analysis.review.pipeline import (
    Assessment,
    arc_charts,
    assess,
    findings_of_losses,
    shift_cells,
)
from arcdrift.analysis.review.summary import Summary, summarize
from arcdrift.finding import Finding
from arcdrift.simulate import Scenario, SimulatedCrew, simulate_frames

TIMES = {
    "splices": "spliced_at", "arc-checks": "checked_at", "service": "serviced_at",
    "readings": "read_at",
}  # fmt: skip
DATED = {
    "stream_days": "day", "technician_days": "day", "mismatch_groups": "day", "check_days": "day",
    "use": "at", "arc_points": "checked_at",
}  # fmt: skip
"""Frames of a summary that charts of loss and their causes use, and the time of their rows."""


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
    now = pd.Timestamp(scenario.end).as_unit("us")
    summary = summary_of(made, made.records, now)
    return Run(made, summary, assess(summary, made["service"], made.crew, now), now)


def loss_findings_at(
    made: SimulatedCrew, instants: Sequence[pd.Timestamp]
) -> list[tuple[Summary, list[Finding]]]:
    """Findings of a crew's loss charts at several instants, from the records before each.

    Parameters
    ----------
    instants : sequence of Timestamp
        Local midnights: days are complete, so that the crew needs to be summarized only once.
    """
    last = max(instants).as_unit("us")
    whole = summary_of(made, _before(made.records, last), last)
    crew, reviews = made.crew, []
    for instant in instants:
        now = instant.as_unit("us")
        summary = whole if now == last else _summary_until(whole, now)
        loss = chart_all(
            summary.stream_days, summary.technician_days, crew.false_alarms_per_month, crew.shares
        )
        points, models, _ = arc_charts(summary.arc_points, summary.splicers, crew)
        cells = shift_cells(summary.technician_days, loss)
        records = RecordsNearOnset(
            _before(made.records, now)["service"], points, summary.mismatch_groups,
            summary.check_days, summary.use, tuple(models), crew,
        )  # fmt: skip
        alarms = attribute_alarms(loss, cells)
        found = findings_of_losses(alarms, cells, records, loss.streams, crew, now)
        reviews.append((summary, found))
    return reviews


def _before(
    records: dict[str, pd.DataFrame], now: pd.Timestamp
) -> dict[str, pd.DataFrame]:  # fmt: skip
    return {
        name: rows[rows[TIMES[name]] < now].reset_index(drop=True) for name, rows in records.items()
    }


def _summary_until(whole: Summary, now: pd.Timestamp) -> Summary:
    """What a crew's summary at an earlier local midnight has for the charts of loss."""
    day = (now.tz_convert(None) + pd.Timedelta(hours=12)).floor("D")
    return replace(
        whole,
        **{
            name: _rows_before(getattr(whole, name), column, now if column.endswith("at") else day)
            for name, column in DATED.items()
        },
    )


def _rows_before(rows: pd.DataFrame, column: str, end: pd.Timestamp) -> pd.DataFrame:
    return rows[rows[column] < end].reset_index(drop=True)


def summary_of(
    made: SimulatedCrew, records: dict[str, pd.DataFrame], now: pd.Timestamp
) -> Summary:  # fmt: skip
    return summarize(
        records["splices"].sort_values(["splicer", "id"], ignore_index=True),
        records["arc-checks"],
        prepare_readings(records["readings"], made.crew),
        records["service"],
        made.crew,
        now,
        began=crew_start(records["arc-checks"], "checked_at"),
    )
