"""The part of a review on cleave angles over time: tables, findings, and what is left of people."""

from dataclasses import dataclass

import pandas as pd

from arcdrift.analysis.common.chart_states import ChartStates
from arcdrift.analysis.common.grouping import as_text
from arcdrift.analysis.loss.technician_days import NO_CLEAVER
from arcdrift.analysis.people.cleave_angles.angle_cells import angle_cells
from arcdrift.analysis.people.cleave_angles.angle_charts import chart_angles
from arcdrift.analysis.people.cleave_angles.angle_findings import angle_shift_findings
from arcdrift.analysis.people.cleave_angles.angle_shifts import (
    AngleShift,
    angle_shifts,
    in_dull_stretches,
)
from arcdrift.arrays import Bools
from arcdrift.finding import Finding
from arcdrift.settings import Crew

ANGLE_SUMS = [
    "angles", "angle", "angle_squares", "uneven", "uneven_squares", "bad", "seen", "first_angles",
    "first_angle", "hour_angles_n", "hour_of_angles", "hour_squares_of_angles", "hour_angle",
]  # fmt: skip
"""Sums of technician days that say how somebody cleaves."""


@dataclass(frozen=True)
class AngleReview:
    """Results on angles over time.

    Attributes
    ----------
    frames : dict of DataFrame
        Rows of ``result_angle_days`` and ``result_angle_shifts``.
    findings : list of Finding
    cells : DataFrame
        The technician days given, without the angles of machines whose angles had risen: people
        are judged by these.
    runs_of_people : DataFrame
        Runs of bad cleaves outside these rises.
    """

    frames: dict[str, pd.DataFrame]
    findings: list[Finding]
    cells: pd.DataFrame
    runs_of_people: pd.DataFrame


def review_angles(
    cells: pd.DataFrame,
    runs: pd.DataFrame,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    states: ChartStates | None = None,
) -> AngleReview:
    """Chart the cleave angles of machines and people.

    Parameters
    ----------
    cells : DataFrame
        From `arcdrift.analysis.loss.technician_days.aggregate_technician_days`, with ``cleaves``.
    runs : DataFrame
        `arcdrift.analysis.people.cleave_runs.cleave_runs`, every splicer.
    states : ChartStates, optional
        States from which the charts may go on.
    """
    if not (cells["angles"] > 0).any():
        return AngleReview({}, [], cells, runs)
    life = crew.blade.cleaves_per_position
    summed = angle_cells(cells, life)
    charts = chart_angles(summed, crew.false_alarms_per_month * crew.shares.cleave, states)
    shifts = angle_shifts(summed, charts)
    dull = _dull(cells["cleaver"], cells["splicer"], cells["day"], shifts)
    judged = cells
    if dull.any():
        judged = cells.copy()
        judged.loc[dull, ANGLE_SUMS] = 0
    dull_runs = _dull_runs(runs, shifts)
    days = charts.days.assign(day=charts.days["day"].dt.strftime("%Y-%m-%d"))
    return AngleReview(
        {"result_angle_days": days, "result_angle_shifts": _shift_table(shifts)},
        angle_shift_findings(shifts, runs[dull_runs], service, life, now),
        judged,
        runs[~dull_runs],
    )


def _dull(
    cleaver: pd.Series, splicer: pd.Series, day: pd.Series, shifts: list[AngleShift]
) -> Bools:
    logged = cleaver.notna() & (cleaver != NO_CLEAVER)
    kind = pd.Series("cleaver", cleaver.index).where(logged, "splicer")
    name = as_text(cleaver).where(logged, as_text(splicer))
    return in_dull_stretches(kind, name, day, shifts)


def _dull_runs(runs: pd.DataFrame, shifts: list[AngleShift]) -> pd.Series:
    """Whether each run of bad cleaves was made with a machine whose angles had risen."""
    inside = pd.Series(False, index=runs.index)
    for shift in shifts:
        if shift.about_person or runs.empty:
            continue
        rows = runs[shift.subject_type].eq(shift.subject)
        if shift.subject_type == "splicer":
            rows &= runs["cleaver"].isna()
        rows &= runs["began"] >= shift.onset_utc
        inside |= rows & (runs["began"] <= shift.until_utc) if shift.ended else rows
    return inside


def _shift_table(shifts: list[AngleShift]) -> pd.DataFrame:
    rows = [
        {
            "subject_type": shift.subject_type,
            "subject": shift.subject,
            "onset_day": f"{shift.onset:%Y-%m-%d}",
            "earliest_day": f"{shift.earliest:%Y-%m-%d}",
            "latest_day": f"{shift.latest:%Y-%m-%d}",
            "first_alarm_day": f"{shift.first_alarm:%Y-%m-%d}",
            "last_day": f"{shift.until:%Y-%m-%d}",
            "since": shift.onset_utc,
            "until": shift.until_utc,
            "ended": shift.ended,
            "ratio": shift.ratio,
            "low": shift.low,
            "high": shift.high,
            "latest_ratio": shift.latest_ratio,
            "splices": shift.splices,
        }
        for shift in shifts
    ]
    return pd.DataFrame(rows)
