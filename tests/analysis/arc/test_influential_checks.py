"""Leaving out single checks in closed form, against refitting without them."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from arcdrift.analysis.arc.arc_model import ArcModel, air_step, fit_arc
from arcdrift.analysis.arc.arc_regressors import center_air
from arcdrift.analysis.arc.indoor_mixture import Checks, fit_all
from arcdrift.analysis.arc.influential_checks import (
    COLUMNS,
    MAX_LISTED,
    Cutoffs,
    deletion_diagnostics,
    influence_of,
    influential_checks,
)
from arcdrift.analysis.arc.pooled_regression import (
    MODEL_SPREAD_FLOOR,
    SLOPES,
    Prior,
    design,
    empirical_bayes_prior,
)
from tests.analysis.arc.arc_truth import PHI, fits_of, simulated_points


def check_influence(points: pd.DataFrame, model: ArcModel, prior: Prior | None) -> pd.DataFrame:
    """`COLUMNS` by row of `points`, NaN where a check was not used."""
    included = points["excluded"].isna().to_numpy()
    influence = np.full((len(points), len(COLUMNS)), np.nan)
    influence[included] = influence_of(Checks.from_points(points[included]), model, prior)
    return pd.DataFrame(influence, points.index, list(COLUMNS))


@pytest.fixture(scope="module")
def crew() -> dict[str, pd.DataFrame]:
    points, _ = simulated_points(4, 70, seed=31, life=1500)
    return {str(name): part.reset_index(drop=True) for name, part in points.groupby("splicer")}


@pytest.fixture(scope="module")
def fitted(crew: dict[str, pd.DataFrame]) -> tuple[pd.DataFrame, ArcModel, Prior]:
    peers = [
        fit
        for name, part in crew.items()
        if name != "s0" and (fit := fit_all([Checks.from_points(part)], PHI)[0])
    ]
    prior = empirical_bayes_prior(fits_of(peers), MODEL_SPREAD_FLOOR)
    model, values = fit_arc("s0", crew["s0"], "steps", prior, PHI)
    assert isinstance(model, ArcModel)
    assert prior is not None
    return crew["s0"].assign(fitted=values), model, prior


def covariance(epoch: np.ndarray) -> np.ndarray:
    """Correlation of AR(1) errors within epochs."""
    lag = np.abs(np.subtract.outer(np.arange(len(epoch)), np.arange(len(epoch))))
    return np.where(np.equal.outer(epoch, epoch), PHI**lag, 0.0)


def test_leaving_a_check_out_equals_refitting_without_it(crew: dict[str, pd.DataFrame]) -> None:
    """Reference: statsmodels GLS of the other rows, with their own part of the covariance."""
    points = crew["s0"]
    epoch = points["epoch"].to_numpy()
    full = design(center_air(points).to_numpy(), epoch, int(epoch.max()) + 1)
    y, sigma = points["arc_setting"].to_numpy(), covariance(epoch)
    whole = sm.GLS(y, full, sigma=sigma).fit()
    influences = deletion_diagnostics(full, y, epoch, PHI, None)
    first = int(np.flatnonzero(np.diff(epoch))[0]) + 1
    for at in (0, 1, 17, first, len(y) - 1):
        keep = np.arange(len(y)) != at
        part = sm.GLS(y[keep], full[keep], sigma=sigma[np.ix_(keep, keep)]).fit()
        np.testing.assert_allclose(influences.change[at], part.params - whole.params, rtol=1e-6)
        to_rest = sigma[at, keep] @ np.linalg.inv(sigma[np.ix_(keep, keep)])
        row = full[at] - to_rest @ full[keep]
        spread = part.scale * (1 - to_rest @ sigma[keep, at]) + row @ part.cov_params() @ row
        off = y[at] - to_rest @ y[keep] - row @ part.params
        assert influences.studentized[at] == pytest.approx(off / np.sqrt(spread), rel=1e-6)
        moved = full @ (part.params - whole.params)
        cook = moved @ np.linalg.solve(sigma, moved) / (full.shape[1] * whole.scale)
        assert influences.cooks_distance[at] == pytest.approx(cook, rel=1e-6)


def test_the_air_effect_without_a_check_borrows_as_the_model_does(
    fitted: tuple[pd.DataFrame, ArcModel, Prior],
) -> None:
    points, model, prior = fitted
    epoch = points["epoch"].to_numpy()
    x = center_air(points).to_numpy()
    full = design(x, epoch, model.epochs)
    y, sigma = points["arc_setting"].to_numpy(), covariance(epoch)
    influences = check_influence(points, model, prior)
    step = air_step(x, np.array(model.mean))
    variance = sm.GLS(y, full, sigma=sigma).fit().scale
    for at in (0, 17, 44):
        keep = np.arange(len(y)) != at
        weight = np.linalg.inv(sigma[np.ix_(keep, keep)]) / variance
        precision, moment = full[keep].T @ weight @ full[keep], full[keep].T @ weight @ y[keep]
        precision[:SLOPES, :SLOPES] += np.linalg.inv(prior.cov)
        moment[:SLOPES] += np.linalg.solve(prior.cov, prior.mean)
        without = float(np.linalg.solve(precision, moment)[:2] @ step)
        assert influences["air_change"][at] == pytest.approx(
            without - model.air_span.value, rel=1e-6
        )
    alone = check_influence(points, model, None)["air_change"]
    assert influences["air_change"].abs().mean() < alone.abs().mean()  # sisters hold it in place


def test_a_check_alone_on_its_electrodes_changes_no_slope(crew: dict[str, pd.DataFrame]) -> None:
    points = crew["s1"].iloc[:40].copy()
    points["epoch"] = [0] * 20 + [1] + [2] * 19
    full = design(center_air(points).to_numpy(), points["epoch"].to_numpy(), 3)
    influences = deletion_diagnostics(
        full, points["arc_setting"].to_numpy(dtype=float), points["epoch"].to_numpy(), PHI, None
    )
    assert influences.leverage[20] == pytest.approx(1.0)
    assert np.isnan(
        [influences.studentized[20], influences.dffits[20], influences.cooks_distance[20]]
    ).all()
    assert (influences.change[20] == 0).all()
    assert np.isfinite(np.delete(influences.cooks_distance, 20)).all()


def test_unused_checks_have_no_influence(fitted: tuple[pd.DataFrame, ArcModel, Prior]) -> None:
    points, model, _ = fitted
    points = points.assign(excluded=points["excluded"].mask(points.index == 5, "no arc count"))
    influences = check_influence(points, model, None)
    assert influences.columns.tolist() == list(COLUMNS)
    assert influences.loc[5].isna().all()
    assert influences.drop(index=5).notna().all(axis=None)


def test_a_typing_error_is_the_first_check_told(crew: dict[str, pd.DataFrame]) -> None:
    points = crew["s2"].copy()
    cold = int(points["air_density"].idxmax())
    points.loc[cold, "arc_setting"] += 25.0
    model, values = fit_arc("s2", points, "steps", None, PHI)
    assert isinstance(model, ArcModel)
    points = points.assign(fitted=values)
    points[list(COLUMNS)] = check_influence(points, model, None)
    influences = influential_checks(points, model)
    assert 1 <= len(influences) <= MAX_LISTED
    first = influences[0]
    assert first.checked_at == points["checked_at"][cold]
    assert first.setting == points["arc_setting"][cold]
    assert "above what air and wear explain" in first.why
    assert first.share is not None
    assert first.share == pytest.approx(first.air_change / model.air_span.value)
    assert np.sign(first.share) == np.sign(points["air_change"][cold] * model.air_span.value)


def test_even_checks_are_not_made_interesting() -> None:
    """Cutoffs of Belsley, Kuh and Welsch flag about one row in twenty of a well-behaved fit."""
    points, _ = simulated_points(1, 250, seed=33, life=100_000)
    model, values = fit_arc("s0", points, "steps", None, PHI)
    assert isinstance(model, ArcModel)
    points = points.assign(fitted=values)
    points[list(COLUMNS)] = check_influence(points, model, None)
    cut = Cutoffs.for_size(250, 4)
    assert (cut.leverage, cut.cooks_distance) == (pytest.approx(0.032), pytest.approx(0.016))
    assert cut.dffits == pytest.approx(0.253, abs=5e-4)
    share = (points["dffits"].abs() > cut.dffits).mean()
    assert 0.01 < share < 0.10
    assert all(abs(check.share or 0.0) < 0.2 for check in influential_checks(points, model))
