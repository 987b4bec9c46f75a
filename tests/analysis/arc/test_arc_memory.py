"""Memory of the arc's level across service, and slopes estimated beside an open drift."""

import os

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from arcdrift.analysis.arc.arc_drift import drift_charts
from arcdrift.analysis.arc.arc_findings import (
    WORKING_LOOSE,
    arc_findings,
    crew_arc_findings,
    splicers_with_changes,
)
from arcdrift.analysis.arc.arc_levels import level_basis, level_numbers, steps_beyond
from arcdrift.analysis.arc.arc_model import ArcModel, fit_arc
from arcdrift.analysis.arc.indoor_mixture import Checks, fit_all
from arcdrift.analysis.arc.level_moves import PRIOR_SPREAD, REPLACEMENT, LevelMoves
from arcdrift.analysis.arc.open_change import OpenChange
from arcdrift.analysis.arc.pooled_regression import (
    MODEL_SPREAD_FLOOR,
    empirical_bayes_prior,
)
from arcdrift.analysis.common.service_actions import REPLACED
from tests.analysis.arc.arc_truth import (
    PHI,
    SD,
    SLOPES,
    fits_of,
    simulated_points,
    step_through_replacement,
)

LONG = os.environ.get("ARCDRIFT_LONG") == "1"
NOW = pd.Timestamp("2026-12-01T00:00Z")
NO_SERVICE = pd.DataFrame({"asset": [], "action": [], "serviced_at": pd.to_datetime([], utc=True)})


def charted(points: pd.DataFrame, run_length: float = 370.0, life: int | None = None):
    names = points["splicer"].unique()
    lives = None if life is None else dict.fromkeys(names, life)
    return points.join(drift_charts(points, run_length, lives).checks)


def wear_intervals(points: pd.DataFrame) -> dict[str, tuple[float, float, float]]:
    """Own estimate of wear and its interval, per 1000 arcs, by splicer."""
    groups = dict(list(points.groupby("splicer")))
    fits = {name: fit_all([Checks.from_points(rows)], PHI)[0] for name, rows in groups.items()}
    found = {}
    for name, rows in groups.items():
        peers = [fit for other, fit in fits.items() if other != name and fit is not None]
        prior = empirical_bayes_prior(fits_of(peers), MODEL_SPREAD_FLOOR)
        model, _ = fit_arc(str(name), rows, "steps", prior, PHI)
        assert isinstance(model, ArcModel)
        wear = next(effect for effect in model.effects if effect.name == "arcs")
        found[str(name)] = (wear.value, wear.low, wear.high)
    return found


def test_wear_is_estimated_beside_an_open_drift() -> None:
    """Splicers drift by 0.05 or 0.1 sd a check from soon after a replacement on, upward as a
    holder that works loose: the drift turns the sign of wear where it is no term of its own.

    Coverage of .95 of 16 splicers has a standard error of .054, of 64 one of .027.
    """
    inside = signs = plain_inside = total = 0
    for seed in range(16 if LONG else 4):
        pace = (0.05, 0.1)[seed % 2]
        points, truth = simulated_points(
            8, 160, 400 + seed, life=4500, faulty=("s0", "s2", "s4", "s6"),
            fault=lambda day, pace=pace: pace * SD * np.maximum(day - 94.0, 0.0),
        )  # fmt: skip
        found = wear_intervals(charted(points))
        plain = wear_intervals(points)
        for name in ("s0", "s2", "s4", "s6"):
            value, low, high = found[name]
            inside += low <= truth[name][2] <= high
            plain_inside += plain[name][1] <= truth[name][2] <= plain[name][2]
            signs += value < 0
            total += 1
    assert inside / total >= 0.86
    assert plain_inside / total < inside / total - 0.3
    assert signs / total >= 0.8


def test_a_step_that_outlives_a_replacement_is_an_alarm() -> None:
    """Ten sd off, from one to four checks before the fourth pair on, and for good."""
    before = after = outlived = total = 0
    for seed in range(16 if LONG else 4):
        lead, size = 1 + seed % 4, (10.0, -10.0)[seed // 4 % 2]
        points, onset, new_pair = step_through_replacement(190, 500 + seed, lead=lead, size=size)
        rows = charted(points)
        rows = rows[rows["splicer"] == "s0"].sort_values("checked_at", ignore_index=True)
        replaced = rows["checked_at"][new_pair] - pd.Timedelta(hours=1)
        service = pd.DataFrame({"asset": ["s0"], "action": [REPLACED], "serviced_at": [replaced]})
        found = arc_findings(rows, service, "steps", NOW, SD)
        total += 1
        before += rows["alarm"][onset : new_pair + 5].any()
        after += rows["alarm"][new_pair : new_pair + 6].any()
        outlived += any(
            "electrodes_replaced_at" in finding.evidence
            and abs(finding.onset.estimate - rows["checked_at"][onset]) <= pd.Timedelta(days=3)
            and abs(finding.evidence["unexplained_change"] - size * SD) <= 12.0
            for finding in found
        )
    assert before == total
    assert after >= total - 1
    assert outlived >= (13 if LONG else 3)


def test_nothing_is_unjudged_after_a_replacement() -> None:
    points, _ = simulated_points(8, 160, seed=6)
    rows = charted(points)
    for _, splicer_rows in rows.groupby("splicer"):
        z = splicer_rows.sort_values("checked_at")["z"].reset_index(drop=True)
        assert z[z.first_valid_index() :].notna().all()


def test_a_level_that_moves_is_that_of_statsmodels() -> None:
    """Reference: UnobservedComponents, a local level with fixed variances, exact initial state.

    Without correlation of checks the open change is a plain local level.
    """
    rng = np.random.default_rng(3)
    y = np.cumsum(0.3 * rng.standard_normal(60)) + SD * rng.standard_normal(60)
    model = sm.tsa.UnobservedComponents(y, "llevel")
    model.ssm.initialize_known(np.array([2.0]), np.array([[4.0]]))
    reference = model.filter([SD**2, 0.3**2])
    change = OpenChange(alarmed=0, size=2.0, variance=4.0 - 0.3**2, step_variance=0.3**2)
    for t, value in enumerate(y):
        forecast, variance = change.forecast(0.0), change.forecast_variance(0.0) + SD**2
        assert forecast == pytest.approx(reference.forecasts[0, t])
        assert variance == pytest.approx(reference.forecasts_error_cov[0, 0, t])
        change.learn(value - forecast, variance, 0.0)
        assert change.size == pytest.approx(reference.filtered_state[0, t])
        assert change.variance == pytest.approx(reference.filtered_state_cov[0, 0, t])


def test_moves_of_the_level_are_learned() -> None:
    rng = np.random.default_rng(5)
    moves = LevelMoves()
    for _ in range(200):
        moves.learn(
            REPLACEMENT, 1.0 + 1.4 * rng.standard_normal() + 0.5 * rng.standard_normal(), 0.25
        )
    mean, variance = moves.next_move(REPLACEMENT)
    assert mean == pytest.approx(1.0, abs=0.25)
    assert np.sqrt(variance) == pytest.approx(1.4, rel=0.2)


def test_moves_are_told_in_settings() -> None:
    moves = LevelMoves()
    for move in (1.0, -1.0, 2.0, -2.0):
        moves.learn(REPLACEMENT, move, 0.01)
    replaced, other = moves.in_settings(3.0)
    assert (replaced.service, replaced.events, other.events) == (REPLACED, 4, 0)
    # four moves of mean square 2.5, and a prior of four of PRIOR_SPREAD^2
    assert replaced.sd == pytest.approx(3.0 * np.sqrt((PRIOR_SPREAD**2 + 2.5) / 2.0), rel=0.05)
    assert replaced.mean == pytest.approx(0.0, abs=0.5)
    assert other.sd == pytest.approx(3.0 * PRIOR_SPREAD)


@pytest.mark.long  # of usual lives: test_arc_model.py
def test_short_lives_keep_the_run_length() -> None:
    """A new pair every 30 checks: 324 and 331 checks a false alarm in two long simulations."""
    judged = alarms = 0
    for seed in range(7200, 7204):
        points, _ = simulated_points(8, 250, seed, life=1500)
        charts = drift_charts(points, 370.0).checks
        judged += int(charts["z"].notna().sum())
        alarms += int(charts["alarm"].sum())
    # about 23 alarms, so a standard error of 21 %
    assert 370 / 1.8 < judged / alarms < 370 * 1.8


def test_what_works_loose_is_named_before_service_for_a_drift() -> None:
    points, _ = simulated_points(
        6, 190, seed=12, life=100_000, faulty=("s0",),
        fault=lambda day: 0.1 * SD * np.maximum(day - 119.0, 0.0),
    )  # fmt: skip
    rows = charted(points)
    rows = rows[rows["splicer"] == "s0"].sort_values("checked_at", ignore_index=True)
    found = [f for f in arc_findings(rows, NO_SERVICE, "steps", NOW, SD) if f.kind == "arc-drift"]
    assert len(found) == 1
    onset = pd.Timestamp(found[0].onset.estimate)
    service = pd.DataFrame(
        {"asset": ["s0"], "action": [REPLACED], "serviced_at": [onset - pd.Timedelta(days=2)]}
    )
    (drift,) = (f for f in arc_findings(rows, service, "steps", NOW, SD) if f.kind == "arc-drift")
    first, second = drift.likely_causes
    assert first.cause == WORKING_LOOSE
    assert second.cause == f"service: {REPLACED}"
    assert first.weight > second.weight


def test_a_move_that_is_hardly_known_teaches_nothing() -> None:
    moves = LevelMoves()
    moves.learn(REPLACEMENT, -1.0, 40.0)
    assert moves.variance[REPLACEMENT] == pytest.approx(PRIOR_SPREAD**2, rel=0.05)


def test_levels_of_a_drift_bend() -> None:
    level = np.repeat([0, 1], 60)
    drifting = np.arange(120) >= 80
    basis = level_basis(level, drifting)
    ramp = np.where(drifting, 5.0 + 0.1 * (np.arange(120) - 80), level * 5.0)
    coefficients, *_ = np.linalg.lstsq(basis, ramp, rcond=None)
    np.testing.assert_allclose(basis @ coefficients, ramp, atol=1e-9)
    assert coefficients[-1] == pytest.approx(ramp[-1])
    np.testing.assert_array_equal(basis[:80].sum(axis=1), 1.0)
    one_hot = level_basis(level, np.zeros(120, dtype=bool))
    np.testing.assert_array_equal(one_hot, np.eye(2)[level])


def unlogged(points: pd.DataFrame, *, counter: str) -> pd.DataFrame:
    """Second replacement of s0 was never logged; its arc count was set back, or ran on."""
    of_s0 = points["splicer"] == "s0"
    points.loc[of_s0 & (points["epoch"] >= 2), "epoch"] -= 1
    if counter == "ran on":
        late = of_s0 & (points["epoch"] == 1)
        arcs = points.loc[late, "arcs"].to_numpy()
        fell = np.diff(arcs, prepend=arcs[0]) < 0
        points.loc[late, "arcs"] = arcs + np.cumsum(fell) * 4500.0
    return points


@pytest.mark.parametrize("counter", ["set back", pytest.param("ran on", marks=pytest.mark.long)])
def test_a_replacement_nobody_logged_is_told_as_such(counter: str) -> None:
    replacements = damage = 0
    crews = 6 if LONG else 3
    for seed in range(crews):
        points, _ = simulated_points(8, 270, 600 + seed, life=4500, level_sd=2.0)
        checks = points[points["splicer"] == "s0"].sort_values("checked_at")
        when = checks["checked_at"][checks["epoch"] == 2].iloc[0]
        rows = charted(unlogged(points, counter=counter), life=4500)
        rows = rows[rows["splicer"] == "s0"].sort_values("checked_at", ignore_index=True)
        logged = checks["checked_at"][checks["epoch"] == 1].iloc[0] - pd.Timedelta(hours=1)
        service = pd.DataFrame({"asset": ["s0"], "action": [REPLACED], "serviced_at": [logged]})
        found = arc_findings(rows, service, "steps", NOW, SD)
        near = [f for f in found if abs(f.since - when) <= pd.Timedelta(days=15)]
        replacements += [f.kind for f in near].count("replacement-not-logged")
        damage += sum(f.kind in ("arc-step", "arc-drift") for f in found
                      if f.since >= when - pd.Timedelta(days=2))  # fmt: skip
    assert replacements >= (crews if counter == "set back" else 2 * crews / 3)
    assert damage <= crews / 3


def test_steps_beyond_are_measured_from_the_level_before() -> None:
    points, _ = simulated_points(
        6, 170, seed=9, fault=lambda day: np.where(day >= 120, 12.0, 0.0), faulty=("s0",)
    )
    rows = charted(points)
    rows = rows[rows["splicer"] == "s0"].sort_values("checked_at", ignore_index=True)
    beyond = steps_beyond(rows, SLOPES)
    assert beyond[130:149].mean() == pytest.approx(12.0, abs=3.0)
    assert beyond[:110].isna().all()
    # the expectation does not follow the change
    error = (rows["arc_setting"] - rows["expected"])[130:149]
    assert error.mean() == pytest.approx(12.0, abs=4.0)
    assert (
        level_numbers(rows["arcs"].to_numpy(float), rows["epoch"].to_numpy())[0].max()
        == rows["level"].max()
    )


def test_splicers_without_a_change_have_no_findings() -> None:
    points, _ = simulated_points(
        6, 120, seed=9, fault=lambda day: np.where(day >= 80, 14.0, 0.0), faulty=("s0", "s3")
    )
    rows = charted(points)
    service = NO_SERVICE.assign(asset=pd.Series(dtype="str"))
    names = sorted(rows["splicer"].unique())
    units, sds = dict.fromkeys(names, "steps"), dict.fromkeys(names, SD)
    found = crew_arc_findings(rows, service, units, sds, NOW)
    each = [
        finding
        for name in names
        for finding in arc_findings(rows[rows["splicer"] == name], service, "steps", NOW, SD)
    ]
    assert found == each
    assert {"s0", "s3"} <= set(splicers_with_changes(rows))
    assert len(splicers_with_changes(rows)) < len(names)
