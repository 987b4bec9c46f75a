"""Runs every analysis over a store; the one entry for command line, report and dashboard.

Three steps: summarize each splicer, look at the crew (pools, budget), chart each stream and
splicer. The results replace those of the last review in one transaction.
"""

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from sqlalchemy import Engine

from arcdrift import __version__
from arcdrift.air import prepare_readings
from arcdrift.analysis.advice import advise
from arcdrift.analysis.air_findings import conditions_finding, gap_findings
from arcdrift.analysis.arc import ArcModel, Refusal, fit_arc, known_fit
from arcdrift.analysis.arc_drift import drift_charts
from arcdrift.analysis.arc_findings import arc_findings
from arcdrift.analysis.arc_pool import PHI_ASSUMED, SLOPES
from arcdrift.analysis.asking import advise_now, just_after, now_of
from arcdrift.analysis.causes import StreamHistory
from arcdrift.analysis.check_findings import check_findings
from arcdrift.analysis.loss import LossCharts, chart_losses
from arcdrift.analysis.loss_findings import loss_findings
from arcdrift.analysis.situation import PROGRAM_DAYS, situation_of
from arcdrift.analysis.splicer import (
    SPLICE_COLUMNS,
    SplicerSummary,
    day_starts,
    summarize,
)
from arcdrift.analysis.tables import (
    crew_days,
    findings_table,
    for_store,
    iso,
    models_table,
    settings_used,
    stack,
    stream_days,
    streams_table,
)
from arcdrift.errors import UsageError
from arcdrift.finding import Finding
from arcdrift.settings import Crew, Splicer
from arcdrift.store import read
from arcdrift.store.write import replace_results

__all__ = ["Review", "advise_now", "now_of", "review"]

MONTH = 22
Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, and how many there are."""


@dataclass(frozen=True)
class Review:
    """What a review did."""

    now: pd.Timestamp
    splicers: int
    splices: int
    checks: int
    findings: tuple[Finding, ...]
    seconds: float


def review(
    engine: Engine,
    crew: Crew,
    *,
    now: pd.Timestamp | None = None,
    progress: Progress | None = None,
) -> Review:
    """Analyze everything in the store and replace the results.

    Raises
    ------
    UsageError
        When the store holds no checks and no splices.
    """
    started = time.perf_counter()
    names = read.splicers(engine)
    if not names:
        raise UsageError("There is nothing to analyze yet; import arc checks or splices first.")
    now = now_of(engine, crew) if now is None else now
    readings = prepare_readings(read.records(engine, "readings"), crew)
    checks = read.records(engine, "arc-checks")
    service = read.records(engine, "service")
    summaries, found, splices_read = [], [], 0
    for done, name in enumerate(names):
        if progress is not None:
            progress("Summarizing splicers", done, len(names))
        mine = checks[checks["splicer"] == name]
        own_service = service[service["asset"] == name]
        splices = read.records(engine, "splices", splicers=[name], columns=SPLICE_COLUMNS)
        splices_read += len(splices)
        summaries.append(summarize(name, splices, mine, readings, own_service, crew, now))
    if progress is not None:
        progress("Charting", len(names), len(names))
    points, models = _arc(summaries, crew)
    charts = _loss(summaries, crew)
    days = charts.days.assign(day_start=day_starts(charts.days, crew))
    check_days = stack([summary.checks for summary in summaries])
    found = [
        *check_findings(check_days, now),
        *_arc_findings(points, models, service, crew, now),
        *_loss_findings(summaries, days, points, service, now),
        *gap_findings(stack([summary.airless for summary in summaries]), now),
        *_conditions(engine, names, models, checks, service, readings, crew, now),
    ]
    found = [_traced(finding, summaries) for finding in found]
    seconds = time.perf_counter() - started
    frames = {
        "result_check_days": check_days.assign(day=iso(check_days["day"])),
        "result_streams": streams_table(days, charts, crew),
        "result_stream_days": stream_days(days),
        "result_crew_days": crew_days(summaries),
        "result_arc_models": models_table(models),
        "result_arc_points": points,
        "result_air_coverage": stack([summary.coverage for summary in summaries]),
        "findings": findings_table(found),
        "analysis_run": pd.DataFrame(
            {
                "id": [1],
                "assessed_on": [pd.Timestamp.now("UTC").as_unit("us")],
                "now": [now],
                "version": [__version__],
                "seconds": [seconds],
                "splices": [splices_read],
                "checks": [len(checks)],
                "summary": [json.dumps(settings_used(crew, charts))],
            }
        ),
    }
    replace_results(engine, {name: for_store(name, frame) for name, frame in frames.items()})
    return Review(
        now=now,
        splicers=len(names),
        splices=splices_read,
        checks=len(checks),
        findings=tuple(found),
        seconds=time.perf_counter() - started,
    )


# -- crew-wide steps ---------------------------------------------------------------------------


def _arc(
    summaries: list[SplicerSummary], crew: Crew
) -> tuple[pd.DataFrame, list[ArcModel | Refusal]]:
    """Models and drift charts; splicers of one model and unit are taken together."""
    groups: dict[tuple[str, str], list[SplicerSummary]] = {}
    for summary in summaries:
        settings = crew.splicers.get(summary.splicer, Splicer())
        # an unknown model is nobody's sister
        model = settings.model if settings.model != "unknown" else f"unknown {summary.splicer}"
        groups.setdefault((model, settings.setting_unit), []).append(summary)
    budget = crew.false_alarms_per_month * crew.shares.arc
    pace = _checks_per_month(summaries)
    frames: list[pd.DataFrame] = []
    models: list[ArcModel | Refusal] = []
    for (_, unit), members in groups.items():
        points = stack([member.points for member in members])
        if points.empty:
            models += [
                Refusal(member.splicer, 0, 0, "no passed arc check is on record")
                for member in members
            ]
            continue
        charted = points.join(drift_charts(points, pace / budget))
        fits = {member.splicer: known_fit(member.points, PHI_ASSUMED) for member in members}
        charted["fitted"] = np.nan
        for member in members:
            sisters = [other for name, other in fits.items() if name != member.splicer and other]
            rows = charted[charted["splicer"] == member.splicer]
            fit, fitted = fit_arc(member.splicer, rows, unit, sisters)
            charted.loc[fitted.index, "fitted"] = fitted
            models.append(fit)
        frames.append(charted)
    points = stack(frames)
    if not points.empty:
        points["point"] = points.groupby(["splicer", "checked_at"]).cumcount()
    return points, sorted(models, key=lambda model: model.splicer)


def _checks_per_month(summaries: list[SplicerSummary]) -> float:
    points = [summary.points for summary in summaries if len(summary.points)]
    if not points:
        return float(MONTH)
    together = pd.concat([part[["checked_at"]] for part in points])["checked_at"]
    return float(MONTH * len(together) / max(together.dt.date.nunique(), 1))


def _loss(summaries: list[SplicerSummary], crew: Crew) -> LossCharts:
    days = stack([summary.days for summary in summaries])
    budget, shares = crew.false_alarms_per_month, crew.shares
    return chart_losses(days, budget * shares.loss_raised, budget * shares.loss_lowered)


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
    for name, mine in points.groupby("splicer"):
        settings = crew.splicers.get(str(name), Splicer())
        own = service[service["asset"] == name]
        found += arc_findings(
            mine.sort_values("checked_at"),
            own,
            settings.setting_unit,
            now,
            settings.electrode_life_arcs,
            slopes.get(str(name)),
        )
    return found


def _loss_findings(
    summaries: list[SplicerSummary],
    days: pd.DataFrame,
    points: pd.DataFrame,
    service: pd.DataFrame,
    now: pd.Timestamp,
) -> list[Finding]:
    found: list[Finding] = []
    groups = {summary.splicer: summary.groups for summary in summaries}
    for (label, _), mine in days.groupby(["splicer", "program"]):
        splicer = str(label)
        if not (mine["alarm"] != "").any():
            continue
        alarms = (
            points.loc[(points["splicer"] == splicer) & points["alarm"].astype(bool), "checked_at"]
            if len(points)
            else pd.Series([], dtype="datetime64[us, UTC]")
        )
        history = StreamHistory(
            groups=groups[splicer],
            service=service[service["asset"] == splicer],
            arc_alarms=alarms,
        )
        found += loss_findings(mine, history, now)
    return found


def _conditions(
    engine: Engine,
    names: list[str],
    models: list[ArcModel | Refusal],
    checks: pd.DataFrame,
    service: pd.DataFrame,
    readings: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> list[Finding]:
    """Air that moved since the check, for the splicers at work within the last day."""
    found = []
    known = {model.splicer: model for model in models}
    reach = pd.Timedelta(minutes=crew.air_max_age_min)
    for name in names:
        splices = read.records(
            engine,
            "splices",
            splicers=[name],
            since=now - pd.Timedelta(days=PROGRAM_DAYS),
            until=just_after(now),
            columns=SPLICE_COLUMNS,
        )
        mine = checks[checks["splicer"] == name]
        if splices.empty or splices["spliced_at"].max() < now - pd.Timedelta(days=1):
            continue
        passed = mine.loc[mine["outcome"] == "pass", "checked_at"]
        stamps = readings["read_at"]
        near = stamps >= now - reach
        if len(passed):
            near |= (stamps - passed.max()).abs() <= reach
        situation = situation_of(
            name, mine, splices, service[service["asset"] == name], readings[near], crew, now
        )
        finding = conditions_finding(advise(situation, known.get(name), crew), situation, now)
        if finding is not None:
            found.append(finding)
    return found


def _traced(finding: Finding, summaries: list[SplicerSummary]) -> Finding:
    """Name the imports whose records the finding rests on."""
    splicer = finding.subject_id.split(" / ")[0]
    ids: set[int] = set()
    for summary in summaries:
        if finding.subject_type in ("splicer", "stream") and summary.splicer != splicer:
            continue
        spans = summary.imports
        touching = spans[(spans["first"] <= finding.until) & (spans["last"] >= finding.since)]
        ids |= {int(value) for value in touching["import_id"]}
    return replace(finding, import_ids=tuple(sorted(ids)))
