"""Second and third step of a review: pool over the crew, then chart and collect findings.

Pure: a summary goes in, result tables and findings come out.
"""

import json
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from arcdrift.analysis.advice.advice import advise
from arcdrift.analysis.advice.conditions_moved import conditions_moved_finding
from arcdrift.analysis.advice.reading_gaps import reading_gap_findings
from arcdrift.analysis.advice.splicer_state import SplicerState
from arcdrift.analysis.arc.arc_drift import checks_per_month
from arcdrift.analysis.arc.arc_findings import crew_arc_findings
from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.arc.crew_arc_models import chart_and_fit
from arcdrift.analysis.attempts.attempt_review import review_attempts
from arcdrift.analysis.cases.case_measures import CaseMeasures
from arcdrift.analysis.cases.case_records import CaseRecords
from arcdrift.analysis.cases.found_cases import FoundCases, found_cases
from arcdrift.analysis.causes.alarm_attribution import AttributedAlarms, attribute_alarms
from arcdrift.analysis.causes.crew_cells import CrewCells
from arcdrift.analysis.causes.likely_causes import likely_causes
from arcdrift.analysis.causes.loss_findings import loss_findings
from arcdrift.analysis.causes.records_near_onset import RecordsNearOnset
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.checks.check_findings import check_findings, doubtful_findings
from arcdrift.analysis.checks.doubtful_checks import doubt_limits
from arcdrift.analysis.clock.clock_findings import (
    clock_findings,
    clock_stretch_table,
    unreadable_counts,
)
from arcdrift.analysis.common.chart_states import ChartStates, KeptResults
from arcdrift.analysis.common.days import day_starts
from arcdrift.analysis.common.service_actions import REPLACED
from arcdrift.analysis.loss.acceptance.acceptance_findings import average_findings, single_findings
from arcdrift.analysis.loss.acceptance.accepted_limits import without_redone
from arcdrift.analysis.loss.acceptance.agreement import agreement_table, optimistic_findings
from arcdrift.analysis.loss.acceptance.program_findings import program_findings
from arcdrift.analysis.loss.alarm_episodes import Episode
from arcdrift.analysis.loss.baseline import apply_baseline_marks
from arcdrift.analysis.loss.day_level import LossCharts
from arcdrift.analysis.loss.loss_charts import AllLossCharts, chart_all
from arcdrift.analysis.loss.weeks.week_changes import (
    COLUMNS,
    WEEKS_KEPT,
    mondays_until,
    week_changes,
)
from arcdrift.analysis.loss.weeks.week_variances import learned_variances
from arcdrift.analysis.maintenance.electrode_findings import electrode_findings
from arcdrift.analysis.maintenance.service_findings import service_findings
from arcdrift.analysis.people.prep_review import review_prep
from arcdrift.analysis.review.parallel import submit_or_run
from arcdrift.analysis.review.result_tables import (
    attempt_tables,
    cases_table,
    crew_days,
    dated,
    findings_table,
    iso,
    models_table,
    revisit_table,
    settings_used,
    stream_days,
    streams_table,
)
from arcdrift.analysis.review.stream_changes import with_usual_loss
from arcdrift.analysis.review.summary import Summary
from arcdrift.analysis.setting_cost.mismatch_cost import cost_table
from arcdrift.analysis.setting_cost.mismatch_model import estimate_mismatch_costs
from arcdrift.case import KeptCase
from arcdrift.finding import Cause, Finding
from arcdrift.instants import microseconds
from arcdrift.settings import Crew, Splicer

SHIFTS = "shifts"
"""Name under which is kept what was found about risen losses."""
WEEKS = "weeks"
"""Name under which the changes of weeks are kept."""


@dataclass(frozen=True)
class Assessment:
    """Results of a whole crew.

    Attributes
    ----------
    frames : dict of DataFrame
        Rows by result table, all but ``analysis_run``.
    findings : tuple of Finding
    cases : FoundCases
    settings : str
        JSON of the settings used and what was pooled over the crew.
    chart_states : dict of bytes
        New states of charts (`arcdrift.analysis.common.chart_states.ChartStates.kept`).
    """

    frames: dict[str, pd.DataFrame]
    findings: tuple[Finding, ...]
    cases: FoundCases
    settings: str
    chart_states: dict[str, bytes]


def assess(
    summary: Summary,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    marks: pd.DataFrame | None = None,
    executor: Executor | None = None,
    kept_cases: Sequence[KeptCase] = (),
    coaching: pd.DataFrame | None = None,
    acted_on: Mapping[str, Sequence[datetime]] | None = None,
    states: ChartStates | None = None,
) -> Assessment:
    """Chart the crew and collect its findings.

    Parameters
    ----------
    service : DataFrame
        Service events of every asset.
    marks : DataFrame, optional
        What people said of baselines (`arcdrift.analysis.loss.baseline.apply_baseline_marks`).
    executor : Executor, optional
        Charts the arc, reviews preparation and works out what a wrong setting costs meanwhile.
    kept_cases : sequence of KeptCase
        What earlier reviews kept of cases, so that each keeps its id.
    coaching : DataFrame, optional
        Notes of the coaching log.
    acted_on : mapping of str to sequence of datetime, optional
        By id of a case: when people said that something was done (UTC).
    states : ChartStates, optional
        States from which the charts may go on.
    """
    states = ChartStates() if states is None else states
    arc_states, loss_states = states.whose_name_begins("arc"), states.whose_name_begins("losses")
    pending_arc = submit_or_run(
        executor, arc_charts, summary.arc_points, summary.splicers, crew, arc_states
    )
    pending_prep = submit_or_run(
        executor,
        review_prep,
        summary.technician_days,
        summary.cleave_runs,
        summary.practice,
        summary.use,
        service,
        crew,
        now,
        states.whose_name_begins("angles"),
    )
    pending_attempts = submit_or_run(
        executor,
        review_attempts,
        summary.technician_days,
        summary.blade_days,
        summary.error_splices,
        summary.stretches,
        summary.made_again,
        crew,
        now,
    )
    # the longest chain of steps is worked through here, the rest meanwhile where others can help
    loss = chart_all(
        apply_baseline_marks(summary.stream_days, marks),
        summary.technician_days,
        crew.false_alarms_per_month,
        crew.shares,
        loss_states,
    )
    charts = loss.streams
    shifts, weeks = states.results(SHIFTS), states.results(WEEKS)
    cells = shift_cells(summary.technician_days, loss, shifts)
    attributed = attribute_alarms(loss, cells)
    points, models, arc_states = pending_arc()
    pending_cost = submit_or_run(
        executor, estimate_mismatch_costs, summary.mismatch_groups, points, models, crew
    )
    records_near_onset = RecordsNearOnset(
        service, points, summary.mismatch_groups, summary.check_days, summary.use,
        tuple(models), crew,
    )  # fmt: skip
    findings = [
        *check_findings(summary.check_days, now),
        *doubtful_findings(points, _units(points, crew), now),
        *_arc_findings(points, models, service, crew, now),
        *_electrode_findings(points, models, summary, charts.days, service, crew, now),
        *service_findings(summary.use, service, crew, now),
        *program_findings(summary.unexpected_days, crew, now),
        *findings_of_losses(attributed, cells, records_near_onset, charts, crew, now),
        *average_findings(summary.accepted_days, crew, now),
        *single_findings(without_redone(summary.over_limit), now),
        *reading_gap_findings(summary.airless, crew, now),
        *_conditions_findings(summary.states, models, crew, now),
        *clock_findings(summary.clocks, crew, now),
        *optimistic_findings(summary.measured, crew, now),
        *(prep := pending_prep()).findings,
    ]
    findings = _with_import_ids(findings, summary.imports)
    notes = pd.DataFrame(columns=["technician"]) if coaching is None else coaching
    records = CaseRecords(summary.technician_days, summary.check_days, service, notes, crew)
    angle_days = prep.frames.get("result_angle_days", pd.DataFrame())
    measures = CaseMeasures(cells, angle_days, summary.check_days)
    cases = found_cases(findings, kept_cases, records, now.to_pydatetime(), measures, acted_on)
    findings = [replace(one, case_id=cases.case_ids.get(one.id)) for one in findings]
    frames = {
        "result_check_days": summary.check_days.assign(day=iso(summary.check_days["day"])),
        "result_streams": with_usual_loss(streams_table(charts, crew), charts.days, findings),
        "result_stream_days": stream_days(charts.days),
        "result_subject_days": dated(loss.subject_days, "day"),
        "result_loss_cells": dated(loss.cells, "day"),
        "result_week_changes": changes_by_week(loss, weeks),
        "result_crew_days": crew_days(summary.outcomes, summary.histogram),
        "result_exceptions": dated(summary.singles.outliers, "day"),
        "result_single_limits": dated(summary.singles.limits, "last_day"),
        "result_arc_models": models_table(models),
        "result_arc_points": points,
        "result_worth": cost_table(pending_cost()),
        "result_air_coverage": summary.coverage,
        "result_clock_stretches": clock_stretch_table(summary.clocks),
        "result_agreement": agreement_table(summary.measured),
        **prep.frames,
        **attempt_tables(pending_attempts()),
        "findings": findings_table(findings),
        "result_cases": cases_table(cases),
        "result_splices_to_revisit": revisit_table(summary.over_limit),
    }
    used = settings_used(crew, charts) | {"clocks_not_told": unreadable_counts(summary.clocks)}
    states.keep_results(SHIFTS, shifts)
    states.keep_results(WEEKS, weeks)
    states_kept = states.kept | loss_states.kept | arc_states.kept | prep.chart_states
    return Assessment(frames, tuple(findings), cases, json.dumps(used), states_kept)


def arc_charts(
    arc_points: pd.DataFrame, splicers: Sequence[str], crew: Crew, states: ChartStates | None = None
) -> tuple[pd.DataFrame, list[ArcModel | Refusal], ChartStates]:
    """Arc charts and models (`chart_and_fit`), with the limit of doubtful checks.

    Parameters
    ----------
    states : ChartStates, optional
        States from which the charts may go on; returned with new ones.
    """
    states = ChartStates() if states is None else states
    points, models = chart_and_fit(arc_points, splicers, crew, states)
    if not points.empty:
        doubtful = crew.false_alarms_per_month * crew.shares.doubtful
        pace = checks_per_month(arc_points)
        points["doubt_limit"] = doubt_limits(points, pace / doubtful)
    return points, models, states


def changes_by_week(loss: AllLossCharts, kept: KeptResults) -> pd.DataFrame:
    """Changes of each stream in the last `WEEKS_KEPT` weeks (`week_changes`)."""
    charts = loss.streams
    if charts.days.empty:
        return pd.DataFrame(columns=COLUMNS)
    day = charts.days["day"].to_numpy("datetime64[D]")
    mondays = mondays_until(day.min(), day.max(), WEEKS_KEPT)
    known = learned_variances(charts)
    return week_changes(charts.days, loss.cells, charts.units, known, mondays, kept)


def shift_cells(
    technician_days: pd.DataFrame, loss: AllLossCharts, kept: KeptResults | None = None
) -> ShiftCells:
    """Cells in which risen losses are looked for, without days that the charts exclude."""
    days = loss.streams.days
    excluded = days[days["excluded"]] if "excluded" in days.columns else None
    return ShiftCells(CrewCells.from_technician_days(technician_days, excluded), loss, kept)


def _units(points: pd.DataFrame, crew: Crew) -> dict[str, str]:
    names = points["splicer"].unique() if len(points) else ()
    return {str(name): crew.splicers.get(str(name), Splicer()).setting_unit for name in names}


def _arc_findings(
    points: pd.DataFrame,
    models: list[ArcModel | Refusal],
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> list[Finding]:
    if points.empty:
        return []
    repeatability = {model.splicer: model.sigma for model in models if isinstance(model, ArcModel)}
    return crew_arc_findings(points, service, _units(points, crew), repeatability, now)


def _electrode_findings(
    points: pd.DataFrame,
    models: list[ArcModel | Refusal],
    summary: Summary,
    days: pd.DataFrame,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> list[Finding]:
    arcs_now = {state.splicer: state.arcs_now for state in summary.states}
    replaced = {state.splicer for state in summary.states if REPLACED in state.service_since}
    return electrode_findings(
        points, models, summary.check_days, days, service, arcs_now, replaced, crew, now
    )


def findings_of_losses(
    attributed: list[AttributedAlarms],
    cells: ShiftCells,
    records_near_onset: RecordsNearOnset,
    charts: LossCharts,
    crew: Crew,
    now: pd.Timestamp,
) -> list[Finding]:
    """Findings of the loss charts, with the causes of their alarms.

    Parameters
    ----------
    attributed : list of AttributedAlarms
        From `attribute_alarms`.
    cells : ShiftCells
        From `shift_cells`.
    charts : LossCharts
        Charts of the streams.
    """
    days = charts.days.assign(day_start=day_starts(charts.days, crew))
    starts = days.groupby(["splicer", "day"])["day_start"].min()
    earliest = days.groupby("day")["day_start"].min()

    def instant(episode: Episode, day: pd.Timestamp) -> pd.Timestamp:
        splicer = episode.subject_id.split(" / ")[0]
        start: pd.Timestamp = starts.get((splicer, day), earliest[day])
        return start

    def causes(
        alarms: AttributedAlarms, onset: pd.Timestamp, until: pd.Timestamp
    ) -> tuple[Cause, ...]:
        main = alarms.main
        return likely_causes(
            cells, records_near_onset, *main.subject, onset, until, main.side,
            measure=main.measure, others=alarms.others, people=alarms.people,
        )  # fmt: skip

    return loss_findings(attributed, causes, instant, now)


def _conditions_findings(
    situations: tuple[SplicerState, ...],
    models: list[ArcModel | Refusal],
    crew: Crew,
    now: pd.Timestamp,
) -> list[Finding]:
    """Findings of air that moved since the check, for splicers at work within the last day."""
    model_of = {model.splicer: model for model in models}
    findings = []
    for state in situations:
        if state.latest_splice is None or state.latest_splice < now - pd.Timedelta(days=1):
            continue
        advice = advise(state, model_of.get(state.splicer), crew)
        findings.append(conditions_moved_finding(advice, state, now))
    return [finding for finding in findings if finding is not None]


def _with_import_ids(findings: list[Finding], imports: pd.DataFrame) -> list[Finding]:
    """Name the imports whose records each finding rests on.

    Parameters
    ----------
    imports : DataFrame
        ``splicer``, ``import_id``, ``first`` and ``last`` instant of its records.
    """
    if imports.empty:
        return findings
    import_ids = imports["import_id"].to_numpy()
    first, last = (
        imports[name].to_numpy(dtype="datetime64[us]").astype(np.int64)
        for name in ("first", "last")
    )
    rows_of = {str(name): rows for name, rows in imports.groupby("splicer").indices.items()}
    all_rows, no_rows = np.arange(len(imports)), np.zeros(0, np.int64)
    traced = []
    for finding in findings:
        if finding.subject_type in ("splicer", "stream"):
            rows = rows_of.get(finding.subject_id.split(" / ")[0], no_rows)
        else:
            rows = all_rows
        overlapping = (first[rows] <= microseconds(finding.until)) & (
            last[rows] >= microseconds(finding.since)
        )
        ids = np.unique(import_ids[rows][overlapping]).tolist()
        traced.append(replace(finding, import_ids=tuple(ids)))
    return traced
