"""Second and third step of a review: the crew looked at whole, then every chart and finding.

Pure: a summary in, results and findings out.
"""

import json
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from arcdrift.analysis.advice.advice import advise
from arcdrift.analysis.advice.air_findings import conditions_finding, gap_findings
from arcdrift.analysis.advice.splicer_state import Situation
from arcdrift.analysis.arc.arc_drift import CLIP, checks_a_month, drift_charts
from arcdrift.analysis.arc.arc_findings import arc_findings
from arcdrift.analysis.arc.arc_model import ArcModel, Refusal, fit_arc, known_fit
from arcdrift.analysis.arc.indoor_mixture import settle_rooms
from arcdrift.analysis.arc.influential_checks import COLUMNS, influence
from arcdrift.analysis.arc.pooled_regression import (
    MODEL_SPREAD_FLOOR,
    PHI_ASSUMED,
    SLOPES,
    crew_lag1,
    crew_prior,
)
from arcdrift.analysis.causes.crew_cells import CrewCells
from arcdrift.analysis.causes.likely_causes import likely_causes
from arcdrift.analysis.causes.records_near_onset import Changes
from arcdrift.analysis.checks.check_findings import check_findings, doubtful_findings
from arcdrift.analysis.clock.clock_findings import clock_findings, clocks_not_told, stretches_table
from arcdrift.analysis.common.days import day_starts
from arcdrift.analysis.common.grouping import stack
from arcdrift.analysis.loss.acceptance_findings import average_findings, single_findings
from arcdrift.analysis.loss.agreement import agreement_table, optimistic_findings
from arcdrift.analysis.loss.alarm_attribution import Episode, clusters
from arcdrift.analysis.loss.baseline import marked
from arcdrift.analysis.loss.loss_charts import AllLossCharts, chart_all
from arcdrift.analysis.loss.loss_findings import loss_findings
from arcdrift.analysis.loss.program_findings import program_findings
from arcdrift.analysis.maintenance.electrode_life import (
    WEAR_COLUMNS,
    electrodes,
    worn_finding,
    worn_since,
)
from arcdrift.analysis.maintenance.electrode_replacements import early_findings
from arcdrift.analysis.maintenance.service_findings import service_findings
from arcdrift.analysis.people.prep_review import review_prep
from arcdrift.analysis.review.parallel import begun
from arcdrift.analysis.review.result_tables import (
    crew_days,
    dated,
    findings_table,
    iso,
    models_table,
    settings_used,
    stream_days,
    streams_table,
)
from arcdrift.analysis.review.summary import Summary
from arcdrift.analysis.setting_cost.mismatch_cost import worth_table
from arcdrift.analysis.setting_cost.mismatch_model import worth_of_recalibrating
from arcdrift.finding import Cause, Finding
from arcdrift.settings import Crew, Splicer
from arcdrift.times import microseconds


@dataclass(frozen=True)
class Assessment:
    """Results of a whole crew.

    Attributes
    ----------
    frames : dict of DataFrame
        Rows by result table, all but ``analysis_run``.
    findings : tuple of Finding
    settings : str
        JSON of the settings used and what was pooled over the crew.
    """

    frames: dict[str, pd.DataFrame]
    findings: tuple[Finding, ...]
    settings: str


def assess(
    summary: Summary,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    marks: pd.DataFrame | None = None,
    executor: Executor | None = None,
) -> Assessment:
    """Chart the crew and collect its findings.

    Parameters
    ----------
    service : DataFrame
        Service events of every asset.
    marks : DataFrame, optional
        What people said of baselines (`arcdrift.analysis.loss.baseline.marked`).
    executor : Executor, optional
        Charts losses, looks at preparation and weighs recalibrating meanwhile.
    """
    hands = summary.hands
    use = summary.use
    charting = begun(
        executor,
        chart_all,
        marked(summary.days, marks),
        hands,
        crew.false_alarms_per_month,
        crew.shares,
    )
    preparation = begun(
        executor,
        review_prep,
        hands,
        summary.runs,
        summary.practice,
        use,
        service,
        crew,
        now,
    )
    points, models = _arc(summary, crew)
    weighing = begun(executor, worth_of_recalibrating, summary.cells, points, models, crew)
    loss = charting()
    charts = loss.streams
    days = charts.days.assign(day_start=day_starts(charts.days, crew))
    check_days = summary.checks
    pairs = summary.measured
    changes = Changes(
        service, points, summary.cells, check_days, use,
        tuple(models), crew,
    )  # fmt: skip
    found = [
        *check_findings(check_days, now),
        *doubtful_findings(points, _units(points, crew), now),
        *_arc_findings(points, models, service, crew, now),
        *_electrode_findings(points, models, check_days, days, service, crew, now),
        *service_findings(use, service, crew, now),
        *program_findings(summary.unexpected, crew, now),
        *_loss_findings(summary.hands, loss, days, changes, now),
        *average_findings(summary.accepted, crew, now),
        *single_findings(summary.over, now),
        *gap_findings(summary.airless, now),
        *_conditions(summary.situations, models, crew, now),
        *clock_findings(summary.clocks, crew, now),
        *optimistic_findings(pairs, crew, now),
        *(prep := preparation()).findings,
    ]
    found = _traced(found, summary.imports)
    frames = {
        "result_check_days": check_days.assign(day=iso(check_days["day"])),
        "result_streams": streams_table(days, charts, crew),
        "result_stream_days": stream_days(days),
        "result_subject_days": dated(loss.subject_days, "day"),
        "result_loss_cells": dated(loss.cells, "day"),
        "result_crew_days": crew_days(summary.outcomes, summary.histogram),
        "result_exceptions": dated(summary.singles.exceptions, "day"),
        "result_single_limits": dated(summary.singles.limits, "last_day"),
        "result_arc_models": models_table(models),
        "result_arc_points": points,
        "result_worth": worth_table(weighing()),
        "result_air_coverage": summary.coverage,
        "result_clock_stretches": stretches_table(summary.clocks),
        "result_agreement": agreement_table(pairs),
        **prep.frames,
        "findings": findings_table(found),
    }
    used = settings_used(crew, charts) | {"clocks_not_told": clocks_not_told(summary.clocks)}
    return Assessment(frames, tuple(found), json.dumps(used))


def _arc(summary: Summary, crew: Crew) -> tuple[pd.DataFrame, list[ArcModel | Refusal]]:
    """Models and drift charts; splicers of one model and unit are taken together."""
    groups: dict[tuple[str, str], list[str]] = {}
    for name in summary.splicers:
        settings = crew.splicers.get(name, Splicer())
        # an unknown model is nobody's sister
        model = settings.model if settings.model != "unknown" else f"unknown {name}"
        groups.setdefault((model, settings.setting_unit), []).append(name)
    budget = crew.false_alarms_per_month * crew.shares.arc
    pace = checks_a_month(summary.points)
    frames: list[pd.DataFrame] = []
    models: list[ArcModel | Refusal] = []
    for (_, unit), members in groups.items():
        points = summary.points[summary.points["splicer"].isin(members)].reset_index(drop=True)
        if points.empty:
            reason = "no passed arc check is on record"
            models += [Refusal(name, 0, 0, reason) for name in members]
            continue
        charted = points.join(drift_charts(points, pace / budget))
        far = charted["excluded"].isna() & (charted["z"].abs() > CLIP)
        charted.loc[far, "excluded"] = "a setting too far from the forecast to learn from"
        charted["heated"] = settle_rooms(charted, PHI_ASSUMED)
        by_splicer = {str(name): mine for name, mine in charted.groupby("splicer")}
        fits = {name: known_fit(mine, PHI_ASSUMED) for name, mine in by_splicer.items()}
        phi = crew_lag1([fit for fit in fits.values() if fit is not None])
        told = []
        for member in members:
            sisters = [other for name, other in fits.items() if name != member and other]
            rows = by_splicer.get(member, charted[:0])
            fit, fitted = fit_arc(member, rows, unit, sisters, phi)
            told.append(fitted.to_frame("fitted"))
            if isinstance(fit, ArcModel):
                lent = crew_prior(sisters, MODEL_SPREAD_FLOOR)
                told[-1] = influence(rows, fit, lent).assign(fitted=fitted)
            models.append(fit)
        charted = charted.join(pd.concat(told).reindex(columns=["fitted", *COLUMNS]))
        frames.append(charted)
    points = stack(frames)
    if not points.empty:
        points["point"] = points.groupby(["splicer", "checked_at"]).cumcount()
    return points, sorted(models, key=lambda model: model.splicer)


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
    found: list[Finding] = []
    if points.empty:
        return found
    slopes = {
        model.splicer: np.array(model.lent or model.mean[:SLOPES])
        for model in models
        if isinstance(model, ArcModel)
    }
    repeatability = {model.splicer: model.sigma for model in models if isinstance(model, ArcModel)}
    for name, mine in points.groupby("splicer"):
        settings = crew.splicers.get(str(name), Splicer())
        own = service[service["asset"] == name]
        found += arc_findings(
            mine.sort_values("checked_at"),
            own,
            settings.setting_unit,
            now,
            slopes.get(str(name)),
            repeatability.get(str(name)),
        )
    return found


def _electrode_findings(
    points: pd.DataFrame,
    models: list[ArcModel | Refusal],
    check_days: pd.DataFrame,
    days: pd.DataFrame,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> list[Finding]:
    found: list[Finding] = []
    if points.empty:
        return found
    known = {model.splicer: model for model in models}
    worked = dict(list(check_days.groupby("splicer")))
    charted = dict(list(days[["splicer", "day", "alarm"]].groupby("splicer")))
    served = dict(list(service[["asset", "serviced_at", "action"]].groupby("asset")))
    ordered = points[WEAR_COLUMNS].sort_values("checked_at", kind="stable")
    for label, mine in ordered.groupby("splicer"):
        name = str(label)
        settings = crew.splicers.get(name, Splicer())
        life, checks = settings.electrode_life_arcs, worked.get(name, check_days.iloc[:0])
        if worn_since(mine, life, crew.setting_limits.get(settings.model)) is not None:
            worn = worn_finding(mine, electrodes(name, mine, checks, known.get(name), crew), now)
            found += [] if worn is None else [worn]
        own = charted.get(name, days.iloc[:0])
        events = served.get(name, service.iloc[:0])
        found += early_findings(name, mine, own, checks, events, life, now)
    return found


def _loss_findings(
    hands: pd.DataFrame,
    loss: AllLossCharts,
    days: pd.DataFrame,
    changes: Changes,
    now: pd.Timestamp,
) -> list[Finding]:
    starts = days.groupby(["splicer", "day"])["day_start"].min()
    earliest = days.groupby("day")["day_start"].min()

    def instant(episode: Episode, day: pd.Timestamp) -> pd.Timestamp:
        splicer = episode.subject_id.split(" / ")[0]
        found: pd.Timestamp = starts.get((splicer, day), earliest[day])
        return found

    told = clusters(loss)
    if not told:
        return []
    cells = CrewCells.of(hands)

    def causes(
        kind: str, subject: str, onset: pd.Timestamp, until: pd.Timestamp, side: str
    ) -> tuple[Cause, ...]:
        return likely_causes(cells, changes, kind, subject, onset, until, side)

    return loss_findings(told, causes, instant, now)


def _conditions(
    situations: tuple[Situation, ...],
    models: list[ArcModel | Refusal],
    crew: Crew,
    now: pd.Timestamp,
) -> list[Finding]:
    """Air that moved since the check, for the splicers at work within the last day."""
    known = {model.splicer: model for model in models}
    told = [
        (advise(situation, known.get(situation.splicer), crew), situation)
        for situation in situations
    ]
    found = [conditions_finding(advice, situation, now) for advice, situation in told]
    return [finding for finding in found if finding is not None]


def _traced(found: list[Finding], spans: pd.DataFrame) -> list[Finding]:
    """Name the imports whose records each finding rests on."""
    if spans.empty:
        return found
    number = spans["import_id"].to_numpy()
    first, last = (
        spans[name].to_numpy(dtype="datetime64[us]").astype(np.int64) for name in ("first", "last")
    )
    own = {str(name): rows for name, rows in spans.groupby("splicer").indices.items()}
    every, nothing = np.arange(len(spans)), np.zeros(0, np.int64)
    traced = []
    for finding in found:
        whole = finding.subject_type not in ("splicer", "stream")
        rows = every if whole else own.get(finding.subject_id.split(" / ")[0], nothing)
        touching = (first[rows] <= microseconds(finding.until)) & (
            last[rows] >= microseconds(finding.since)
        )
        ids = np.unique(number[rows][touching]).tolist()
        traced.append(replace(finding, import_ids=tuple(ids)))
    return traced
