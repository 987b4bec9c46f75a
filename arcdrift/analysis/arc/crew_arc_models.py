"""Drift charts and arc models of a whole crew."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_drift import CLIP, checks_per_month, drift_charts
from arcdrift.analysis.arc.arc_levels import steps_beyond
from arcdrift.analysis.arc.arc_model import ArcModel, PeerSlopes, Refusal, fit_arc
from arcdrift.analysis.arc.arc_points import REGRESSORS
from arcdrift.analysis.arc.arc_regressors import usable_or_charted
from arcdrift.analysis.arc.indoor_mixture import (
    Checks,
    crew_indoor_share,
    estimate_heated,
    fit_all,
    heated_rows,
)
from arcdrift.analysis.arc.influential_checks import COLUMNS, influence_of
from arcdrift.analysis.arc.pooled_regression import (
    MODEL_SPREAD_FLOOR,
    PHI_ASSUMED,
    SLOPES,
    CrewFits,
    empirical_bayes_prior,
    pooled_lag1,
)
from arcdrift.analysis.common.chart_states import ChartStates
from arcdrift.analysis.common.grouping import concat_frames
from arcdrift.settings import Crew, Splicer

PHI_ROUNDS = 3
"""Fits with the lag-1 correlation of the fits before: with that of a crew assumed once, a true
correlation of .6 was estimated at .44."""
NO_ROWS = np.zeros(0, dtype=np.int64)


def chart_and_fit(
    points: pd.DataFrame, splicers: Sequence[str], crew: Crew, states: ChartStates | None = None
) -> tuple[pd.DataFrame, list[ArcModel | Refusal]]:
    """Arc models and drift charts; splicers of the same model and unit share their slopes.

    Parameters
    ----------
    points : DataFrame
        Checks of the crew, from `arcdrift.analysis.arc.arc_points.arc_points`.
    splicers : sequence of str
        Splicers that get a model or a refusal, also those without checks.
    states : ChartStates, optional
        States from which the charts may go on.

    Returns
    -------
    points : DataFrame
        Arc checks with their chart.
    models : list
        A model or a refusal for each splicer, sorted by splicer.
    """
    groups: dict[tuple[str, str], list[str]] = {}
    for name in splicers:
        settings = crew.splicers.get(name, Splicer())
        # a splicer of unknown model shares slopes with nobody
        model = settings.model if settings.model != "unknown" else f"unknown {name}"
        groups.setdefault((model, settings.setting_unit), []).append(name)
    checks_per_alarm = checks_per_month(points) / (crew.false_alarms_per_month * crew.shares.arc)
    frames: list[pd.DataFrame] = []
    models: list[ArcModel | Refusal] = []
    for (model, unit), members in groups.items():
        checks = points[points["splicer"].isin(members)].reset_index(drop=True)
        if checks.empty:
            reason = "no passed arc check is on record"
            models += [Refusal(name, 0, 0, reason) for name in members]
            continue
        charted, fitted = _chart_and_fit_group(
            checks, members, unit, checks_per_alarm, crew, states, f"arc {model} {unit}"
        )
        frames.append(charted)
        models += fitted
    charted = concat_frames(frames)
    if not charted.empty:
        charted["point"] = charted.groupby(["splicer", "checked_at"]).cumcount()
    return charted, sorted(models, key=lambda model: model.splicer)


def _chart_and_fit_group(
    points: pd.DataFrame,
    members: list[str],
    unit: str,
    checks_per_alarm: float,
    crew: Crew,
    states: ChartStates | None,
    name: str,
) -> tuple[pd.DataFrame, list[ArcModel | Refusal]]:
    """The same for splicers of one model and unit."""
    life = {
        name: splicer.electrode_life_arcs
        for name, splicer in crew.splicers.items()
        if splicer.electrode_life_arcs is not None
    }
    charts = drift_charts(points, checks_per_alarm, life, states, name)
    charted = points.join(charts.checks)
    far = charted["excluded"].isna() & (charted["z"].abs() > CLIP) & charted["beyond"].isna()
    charted.loc[far, "excluded"] = "a setting too far from the forecast to learn from"
    checks = Checks.by_splicer(charted)
    estimate_heated(checks, PHI_ASSUMED)
    charted["heated"] = heated_rows(checks, len(charted))
    phi = PHI_ASSUMED
    number = {name: place for place, name in enumerate(checks)}
    fits = CrewFits(len(number))
    for _ in range(PHI_ROUNDS):
        for place, fitted_checks in enumerate(fit_all(list(checks.values()), phi)):
            fits.put(place, fitted_checks)
        phi = pooled_lag1(fits.known())
    share = crew_indoor_share(charted["heated"])
    models: list[ArcModel | Refusal] = []
    changed = charts.checks["beyond"].notna().to_numpy()
    rows_of = charted.groupby("splicer").indices
    needed = charted[["excluded", *REGRESSORS]]
    fitted = np.full((len(charted), 1 + len(COLUMNS)), np.nan)
    for member in members:
        peers = fits.others(number[member]) if member in number else fits.known()
        prior = empirical_bayes_prior(peers, MODEL_SPREAD_FLOOR)
        rows, own = rows_of.get(member, NO_ROWS), checks.get(member)
        fit, values = fit_arc(member, needed.iloc[rows], unit, prior, phi, share, own)
        fitted[rows, 0] = values
        if isinstance(fit, Refusal):
            others = needed[(charted["splicer"] != member) & needed["excluded"].isna()]
            fit = replace(fit, peer_slopes=PeerSlopes.of(peers, others))
        if isinstance(fit, ArcModel) and own is not None:
            fit = replace(fit, service_moves=charts.moves.in_settings(fit.sigma))
            if changed[rows].any():
                in_order = usable_or_charted(charted.iloc[rows]).sort_values("checked_at")
                beyond = steps_beyond(in_order, np.array(fit.mean[:SLOPES]))
                charted.loc[beyond.index, "beyond"] = beyond
            fitted[own.rows, 1:] = influence_of(own, fit, prior)
        models.append(fit)
    return charted.join(pd.DataFrame(fitted, charted.index, ["fitted", *COLUMNS])), models
