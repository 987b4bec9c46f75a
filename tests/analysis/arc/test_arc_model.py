"""The arc model against a reference library and against coefficients that are known."""

import json

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from arcdrift.analysis.arc.arc_drift import drift_charts
from arcdrift.analysis.arc.arc_findings import arc_findings, change_shape
from arcdrift.analysis.arc.arc_model import WELL_CONDITIONED, ArcModel, Refusal, fit_arc
from arcdrift.analysis.arc.arc_points import arc_points
from arcdrift.analysis.arc.arc_regressors import center_air
from arcdrift.analysis.arc.indoor_mixture import Checks, fit_all
from arcdrift.analysis.arc.pooled_regression import (
    MODEL_SPREAD_FLOOR,
    SLOPES,
    Fit,
    design,
    empirical_bayes_prior,
    fit_known_phi,
)
from tests.analysis.arc.arc_truth import PHI, SD, fits_of, simulated_points

NOW = pd.Timestamp("2026-12-01T00:00Z")
NO_SERVICE = pd.DataFrame({"asset": [], "action": [], "serviced_at": pd.to_datetime([], utc=True)})


def test_known_phi_fit_equals_generalized_least_squares() -> None:
    """Reference: statsmodels GLS with the full AR(1) covariance, block by epoch."""
    points, _ = simulated_points(1, 80, seed=3)
    x, y = center_air(points).to_numpy(), points["arc_setting"].to_numpy()
    epoch = points["epoch"].to_numpy()
    fit = fit_known_phi(x, y, epoch, PHI)
    lag = np.abs(np.subtract.outer(np.arange(80), np.arange(80)))
    sigma = np.where(np.equal.outer(epoch, epoch), PHI**lag, 0.0)
    reference = sm.GLS(y, design(x, epoch, epoch.max() + 1), sigma=sigma).fit()
    assert fit is not None
    np.testing.assert_allclose(fit.slopes, reference.params[:SLOPES], rtol=1e-8)
    np.testing.assert_allclose(fit.cov, reference.cov_params()[:SLOPES, :SLOPES], rtol=1e-8)
    assert fit.variance == pytest.approx(reference.scale, rel=1e-8)


def test_splicers_fitted_together_have_the_fits_of_each_alone() -> None:
    points, _ = simulated_points(5, 120, seed=8)
    kept = points.groupby("splicer").cumcount() < points["splicer"].map(
        {"s0": 120, "s1": 75, "s2": 4, "s3": 120, "s4": 33}
    )
    crew = [Checks.from_points(part) for _, part in points[kept].groupby("splicer")]
    crew[1].step[::3], crew[1].heated[::3] = 0.05, 0.4  # may be in a heated room
    together = fit_all(crew, PHI)
    assert together[2] is None
    for checks, fit in zip(crew, together, strict=True):
        alone = fit_known_phi(
            checks.expected_regressors, checks.y, checks.epoch, PHI, checks.density_variance
        )
        assert (fit is None) == (alone is None)
        if fit is not None and alone is not None:
            for name in ("slopes", "cov", "variance", "lag1", "n"):
                expected = getattr(alone, name)
                np.testing.assert_allclose(getattr(fit, name), expected, rtol=1e-9)


@pytest.mark.parametrize("apart", [5.0, 1e-3])
def test_a_model_is_that_of_generalized_least_squares(apart: float) -> None:
    """Reference: statsmodels GLS; also where humid air is nearly always the thin air."""
    points, _ = simulated_points(1, 80, seed=3)
    noise = np.random.default_rng(0).normal(0.0, apart, len(points))
    points["vapor_pressure"] = 10.0 - 60.0 * (points["air_density"] - 1.2) + noise
    full = np.hstack([center_air(points).to_numpy(), Checks.from_points(points).levels])
    condition = np.linalg.cond(full / np.sqrt((full**2).sum(axis=0)))
    assert (condition > WELL_CONDITIONED) == (apart < 1)
    model, fitted = fit_arc("s0", points, "steps", None, PHI)
    epoch = points["epoch"].to_numpy()
    lag = np.abs(np.subtract.outer(np.arange(80), np.arange(80)))
    sigma = np.where(np.equal.outer(epoch, epoch), PHI**lag, 0.0)
    reference = sm.GLS(points["arc_setting"].to_numpy(), full, sigma=sigma).fit()
    assert isinstance(model, ArcModel)
    columns = [0, 1, 2, full.shape[1] - 1]
    np.testing.assert_allclose(model.mean, reference.params[columns], rtol=1e-9)
    covariance = reference.cov_params()[np.ix_(columns, columns)]
    np.testing.assert_allclose(model.cov, covariance, rtol=1e-9)
    np.testing.assert_allclose(fitted, reference.fittedvalues, rtol=1e-10)


def test_pool_of_equal_covariances_is_the_plain_mean() -> None:
    """By hand: equal weights, and DerSimonian-Laird's spread is the sample variance less v."""
    b = np.array([[1.0, 2.0, 3.0], [2.0, 4.0, 3.0], [3.0, 9.0, 3.0]])
    fits = [Fit(row, np.eye(3) * 0.25, 1.0, 0.0, 50) for row in b]
    prior = empirical_bayes_prior(fits_of(fits))
    assert prior is not None
    np.testing.assert_allclose(prior.mean, [2.0, 5.0, 3.0])
    tau2 = np.array([1.0 - 0.25, 13.0 - 0.25, (0.15 * 3.0) ** 2])
    np.testing.assert_allclose(np.diag(prior.cov), tau2 + (tau2 + 0.25) / 3)
    assert empirical_bayes_prior(fits_of(fits[:1])) is None


def test_intervals_cover_the_truth() -> None:
    # 16 sisters x 4 crews: 64 intervals a slope; .95 coverage has a standard error of .027
    own_hits, pooled, spans = np.zeros(3), np.zeros(3), 0
    scale = np.array([0.01, 1.0, 1.0])
    total = 0
    for seed in range(4):
        points, truth = simulated_points(16, 120, seed=100 + seed)
        groups = {str(name): part for name, part in points.groupby("splicer")}
        fits = {name: fit_all([Checks.from_points(part)], PHI)[0] for name, part in groups.items()}
        for name, part in groups.items():
            peers = [fit for other, fit in fits.items() if other != name and fit is not None]
            prior = empirical_bayes_prior(fits_of(peers), MODEL_SPREAD_FLOOR)
            model, _ = fit_arc(name, part, "steps", prior, PHI)
            assert isinstance(model, ArcModel)
            true = truth[name] * scale
            own_hits += [e.low <= t <= e.high for e, t in zip(model.effects, true, strict=True)]
            pooled += [e.low <= t <= e.high for e, t in zip(model.pooled, true, strict=True)]
            assert model.sigma == pytest.approx(SD, rel=0.45)
            assert 0 < model.pooling_weight < 1
            total += 1
            widths = [e.high - e.low for e in model.effects[:2]]
            assert model.pooled[0].high - model.pooled[0].low < widths[0]
            spans += model.air_span.high - model.air_span.low < 2 * widths[0]
    assert (own_hits / total > 0.86).all()
    assert (pooled / total > 0.86).all()
    assert (own_hits / total < 1).any()


def test_refusals_say_what_is_missing() -> None:
    points, _ = simulated_points(1, 6, seed=4)
    refusal, fitted = fit_arc("s0", points, "steps", None, PHI)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "only 6 usable checks; a model of this splicer needs 12"
    assert fitted.isna().all()
    points, _ = simulated_points(1, 20, seed=4)
    points.loc[:9, "excluded"] = "no arc count"
    refusal, _ = fit_arc("s0", points, "steps", None, PHI)
    assert isinstance(refusal, Refusal)
    assert refusal.reason.endswith(
        "(10 checks have no arc count); log the arc count with each check"
    )
    points, _ = simulated_points(1, 40, seed=4)
    points["vapor_pressure"] = 8.0
    refusal, _ = fit_arc("s0", points, "steps", None, PHI)
    assert isinstance(refusal, Refusal)
    assert "cannot be separated" in refusal.reason


def test_model_survives_the_store() -> None:
    points, _ = simulated_points(1, 60, seed=5)
    model, _ = fit_arc("s0", points, "steps", None, PHI)
    assert isinstance(model, ArcModel)
    assert ArcModel.from_json(json.loads(json.dumps(model.to_json()))) == model


def test_drift_chart_keeps_its_run_length() -> None:
    # 3 crews of 8 sisters, 250 checks: about 5,600 judged checks, 15 alarms at nominal 370
    alarms = judged = 0
    for seed in range(3):
        points, _ = simulated_points(8, 250, seed=200 + seed)
        charts = drift_charts(points, 370.0).checks
        alarms += int(charts["alarm"].sum())
        judged += int(charts["z"].notna().sum())
    assert 370 / 2.2 < judged / alarms < 370 * 2.2
    assert charts["z"].std() == pytest.approx(1.0, abs=0.06)


def test_a_step_of_two_sd_is_found_within_days() -> None:
    delays: list[float] = []
    for seed in range(3):
        points, _ = simulated_points(
            6,
            170,
            seed=300 + seed,
            fault=lambda day: np.where(day >= 120, 6.0, 0.0),
            faulty=("s0", "s2", "s4"),
        )
        charts = points.join(drift_charts(points, 370.0).checks[["alarm"]])
        charts["day"] = charts.groupby("splicer").cumcount()
        late = charts[charts["alarm"] & (charts["day"] >= 120)]
        first = late.groupby("splicer")["day"].min() - 119
        delays += [float(first.get(name, np.inf)) for name in ("s0", "s2", "s4")]
    assert np.median(delays) <= 6


def test_chart_knows_nothing_of_the_future() -> None:
    points, _ = simulated_points(4, 120, seed=6)
    early = points[points["checked_at"] < "2026-03-20"]
    whole, part = drift_charts(points, 370.0).checks, drift_charts(early, 370.0).checks
    pd.testing.assert_frame_equal(whole.loc[early.index], part)


def test_a_splicer_alone_waits_for_thirty_checks_and_sisters_for_ten() -> None:
    alone, _ = simulated_points(1, 60, seed=7, life=100_000)
    assert drift_charts(alone, 370.0).checks["z"].first_valid_index() == 30
    points, _ = simulated_points(6, 60, seed=7, life=100_000)
    charts = points.join(drift_charts(points, 370.0).checks[["z"]])
    charts["k"] = charts.groupby("splicer").cumcount()
    assert charts[charts["z"].notna()]["k"].min() >= 10
    assert charts[charts["z"].notna()]["k"].min() < 30


def test_step_and_drift_are_told_apart() -> None:
    rng = np.random.default_rng(8)
    noise = 0.5 * rng.standard_normal(30)
    step = change_shape(noise + np.where(np.arange(30) >= 20, 3.0, 0.0), 20)
    assert (step.shape, step.start) == ("step", 20)
    assert step.size == pytest.approx(3.0, abs=0.6)
    drift = change_shape(noise + np.maximum(np.arange(30) - 8, 0) * 0.3, 15)
    assert drift.shape == "drift"
    assert abs(drift.start - 9) <= 5
    assert drift.size == pytest.approx(21 * 0.3, abs=0.8)


def test_finding_names_size_and_onset() -> None:
    points, _ = simulated_points(
        6, 170, seed=9, fault=lambda day: np.where(day >= 120, 12.0, 0.0), faulty=("s0",)
    )
    charted = points.join(drift_charts(points, 370.0).checks)
    splicer_rows = charted[charted["splicer"] == "s0"]
    all_findings = arc_findings(splicer_rows, NO_SERVICE, "steps", NOW)
    found = [finding for finding in all_findings if finding.kind == "arc-step"]
    true = pd.Timestamp("2026-01-01T07:00Z") + pd.Timedelta(days=120)
    near = [f for f in found if f.onset and abs(f.onset.estimate - true) <= pd.Timedelta(days=3)]
    assert len(near) == 1
    assert near[0].evidence["unexplained_change"] == pytest.approx(12, abs=4)
    assert near[0].onset is not None
    assert near[0].onset.earliest <= near[0].onset.estimate <= near[0].onset.latest


def checks_frame(counts: list[float], settings: list[float | None]) -> pd.DataFrame:
    n = len(counts)
    return pd.DataFrame(
        {
            "splicer": "Heron",
            "line": np.arange(n) + 2,
            "checked_at": pd.date_range("2026-01-01", periods=n, tz="UTC", unit="us"),
            "outcome": ["pass" if s is not None else "fail" for s in settings],
            "arc_setting": pd.Series(settings, dtype=float),
            "arc_count": counts,
            "site": pd.Series(["Harbor"] * n, dtype="string"),
        }
    )


AIR = ["temperature_c", "station_pressure_hpa", "humidity_pct", "vapor_pressure", "air_density"]


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ([100.0, 900.0, 40.0, 90.0], [100.0, 900.0, 40.0, 90.0]),  # reset with the replacement
        ([100.0, 900.0, 940.0, 990.0], [100.0, 900.0, 40.0, 90.0]),  # lifetime counter runs on
    ],
)
def test_wear_counts_from_the_replacement(counts: list[float], expected: list[float]) -> None:
    checks = checks_frame(counts, [90.0, 91.0, 92.0, 93.0])
    air = pd.DataFrame(1.0, index=checks.index, columns=AIR).assign(air_source="site logger")
    service = pd.DataFrame(
        {
            "asset": ["Heron"],
            "action": ["electrodes replaced"],
            "serviced_at": pd.to_datetime(["2026-01-02T12:00Z"]).as_unit("us"),
        }
    )
    points = arc_points(checks, air, service)
    assert points["arcs"].tolist() == expected
    assert points["epoch"].tolist() == [0, 0, 1, 1]
    assert points["excluded"].isna().all()


def test_unusable_checks_say_why_and_failed_ones_are_not_points() -> None:
    checks = checks_frame([1.0, np.nan, 3.0], [90.0, 91.0, None])
    air = pd.DataFrame(1.0, index=checks.index, columns=AIR).assign(air_source="site logger")
    air.loc[0, "air_density"] = np.nan
    points = arc_points(checks, air, NO_SERVICE)
    assert points["excluded"].tolist() == ["no complete air reading near the check", "no arc count"]
