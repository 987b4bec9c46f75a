"""Findings on the electrodes of a crew: worn ones, and replacements made too early or too late."""

from collections.abc import Collection, Mapping, Sequence

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.maintenance.electrode_life import electrode_state
from arcdrift.analysis.maintenance.electrode_replacements import (
    days_with_reason,
    replacement_findings,
)
from arcdrift.analysis.maintenance.worn_electrodes import (
    WEAR_COLUMNS,
    may_be_worn,
    worn_finding,
)
from arcdrift.finding import Finding
from arcdrift.settings import Crew, Splicer

NO_ROWS = np.zeros(0, dtype=np.int64)
NO_DAYS = np.zeros(0, dtype="datetime64[D]")


def electrode_findings(
    points: pd.DataFrame,
    models: Sequence[ArcModel | Refusal],
    check_days: pd.DataFrame,
    days: pd.DataFrame,
    service: pd.DataFrame,
    arcs_now: Mapping[str, float | None],
    replaced_since: Collection[str],
    crew: Crew,
    now: pd.Timestamp,
) -> list[Finding]:
    """Findings on the electrodes of every splicer with arc checks.

    Parameters
    ----------
    points : DataFrame
        Charted arc checks (rows of ``result_arc_points``).
    models : sequence
        Arc models.
    check_days : DataFrame
        From `arcdrift.analysis.checks.daily_checks.daily_checks`.
    days : DataFrame
        Stream days with ``alarm``.
    service : DataFrame
        Service events of every asset.
    arcs_now : mapping of str to float
        Arcs on the electrodes by now, where known better than from the last check.
    replaced_since : collection of str
        Splicers whose electrodes were replaced after their last check.

    Notes
    -----
    What cannot become a finding is not worked out: electrodes far from the end of their life, and
    splicers without a replacement on record.
    """
    if points.empty:
        return []
    model_of = {model.splicer: model for model in models}
    ordered = points[WEAR_COLUMNS].sort_values("checked_at", kind="stable")
    counted = ordered[["checked_at", "epoch", "arcs", "alarm"]]
    restarts = service[service["action"].isin(RESTART_ACTIONS)]
    days_of, restarts_of = check_days.groupby("splicer").indices, restarts.groupby("asset").indices
    reasons_of = days_with_reason(days, check_days)
    findings: list[Finding] = []
    for label, places in ordered.groupby("splicer").indices.items():
        name, rows = str(label), counted.iloc[places]
        settings = crew.splicers.get(name, Splicer())
        life, limits = settings.electrode_life_arcs, crew.setting_limits.get(settings.model)
        arcs = arcs_now.get(name)
        if may_be_worn(rows, arcs, life, limits):
            checks, work = ordered.iloc[places], check_days.iloc[days_of.get(name, NO_ROWS)]
            model = model_of.get(name)
            wear = electrode_state(name, checks, work, model, crew, arcs, with_curve=False)
            worn = worn_finding(checks, wear, now, replaced=name in replaced_since)
            findings += [] if worn is None else [worn]
        if name in restarts_of:
            events, reasons = restarts.iloc[restarts_of[name]], reasons_of.get(name, NO_DAYS)
            findings += replacement_findings(name, rows, reasons, events, life, now)
    return findings
