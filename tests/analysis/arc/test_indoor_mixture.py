"""The airs a weather station leaves open, weighed with the whole history at hand."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import approx_fprime
from scipy.stats import norm

from arcdrift.analysis.arc.indoor_mixture import (
    Checks,
    estimate_heated,
    fit_all,
    heated_rows,
    lost_information,
)
from arcdrift.analysis.arc.pooled_regression import design, pooled_lag1
from tests.analysis.arc.arc_truth import PHI, SLOPES, fits_of, simulated_points

ROOM_K = 293.65


def indoor_probabilities(points: pd.DataFrame, phi: float) -> pd.Series:
    """Probability that each check was made in a heated room; NaN where it makes no difference."""
    crew = Checks.by_splicer(points)
    estimate_heated(crew, phi)
    return pd.Series(heated_rows(crew, len(points)), index=points.index)


def _with_rooms(seed: int, share: float) -> tuple[pd.DataFrame, dict[str, np.ndarray], pd.Series]:
    """Checks of ten sisters, a share of the cold ones in rooms of 18 to 23 C nobody logged."""
    points, truth = simulated_points(10, 200, seed=seed)
    rng = np.random.default_rng(seed)
    dry = 100 * ((1013 - points["vapor_pressure"]) / 287.05 + points["vapor_pressure"] / 461.5)
    kelvin = dry / points["air_density"]
    cold = kelvin < ROOM_K - 2
    heated = cold & (rng.random(len(points)) < share)
    room = rng.uniform(291.15, 296.15, len(points))
    slope = points["splicer"].map({name: slopes[0] for name, slopes in truth.items()})
    moved = slope * points["air_density"] * (kelvin / room - 1)
    points["arc_setting"] = np.round(points["arc_setting"] + moved.where(heated, 0.0))
    points["room_density"] = (points["air_density"] * kelvin / ROOM_K).where(cold)
    points["heated"] = np.where(cold, 0.1, np.nan)
    return points, truth, heated


def test_rooms_and_slopes_come_out_as_they_were() -> None:
    error, told, was = [], [], []
    for seed in (1, 2, 3):
        points, truth, heated = _with_rooms(seed, 0.15)
        points["heated"] = indoor_probabilities(points, PHI)
        told.append(points["heated"])
        was.append(heated)
        for name, splicer_rows in points.groupby("splicer"):
            fit = fit_all([Checks.from_points(splicer_rows)], PHI)[0]
            assert fit is not None
            error.append(fit.slopes[0] / truth[str(name)][0] - 1)
    # 30 slopes, each known to about 10 %: 2 % of standard error
    assert np.mean(error) == pytest.approx(0.0, abs=0.04)
    chance, heated = pd.concat(told), pd.concat(was)
    # over eight seeds 0.94 of the rooms are told
    assert chance.sum() == pytest.approx(heated.sum(), rel=0.2)
    for low, high in ((0.0, 0.1), (0.1, 0.4), (0.4, 0.8), (0.8, 1.0)):
        inside_epoch = (chance > low) & (chance <= high)
        assert heated[inside_epoch].mean() == pytest.approx(chance[inside_epoch].mean(), abs=0.1)


def test_nothing_is_weighed_beside_a_logger() -> None:
    points, _ = simulated_points(3, 40, seed=4)
    assert indoor_probabilities(points, PHI).isna().all()


def test_lost_information_is_what_the_mixtures_curvature_lacks() -> None:
    """Reference: the second derivative of the log-likelihood of the mixture, numerically."""
    points, _, _ = _with_rooms(5, 0.3)
    splicer_rows = points[points["splicer"] == "s0"].head(45)
    checks, share, sigma = Checks.from_points(splicer_rows), 0.3, 3.0
    outdoors = design(checks.x, checks.epoch, 1)
    indoors = outdoors.copy()
    indoors[:, 0] += checks.step
    beta = np.array([*SLOPES, 100.0])

    def score(coefficients: np.ndarray) -> np.ndarray:
        parts = [
            (chance, row, checks.y - row @ coefficients)
            for chance, row in ((1 - share, outdoors), (share, indoors))
        ]
        weights = np.array([chance * norm.pdf(off, scale=sigma) for chance, _, off in parts])
        weights /= weights.sum(axis=0)
        each = [
            weight[:, None] * row * off[:, None]
            for weight, (_, row, off) in zip(weights, parts, strict=True)
        ]
        return np.asarray(sum(each).sum(axis=0) / sigma**2)

    out, inside = (
        norm.pdf(checks.y - row @ beta, scale=sigma) * chance
        for row, chance in ((outdoors, 1 - share), (indoors, share))
    )
    checks.heated = inside / (inside + out)
    whole = design(checks.expected_regressors, checks.epoch, 1)
    whole = whole.T @ whole
    whole[0, 0] += checks.density_variance.sum()
    told = whole / sigma**2 - lost_information(checks, beta, sigma)
    np.testing.assert_allclose(told, -approx_fprime(beta, score, 1e-6), rtol=1e-4, atol=1e-4)


def test_lag_one_is_not_swallowed_by_the_levels_of_many_epochs() -> None:
    fits = []
    for seed in range(4):
        points, _ = simulated_points(8, 120, seed=40 + seed, life=1500)  # four epochs
        fits += [
            fit_all([Checks.from_points(splicer_rows)], PHI)[0]
            for _, splicer_rows in points.groupby("splicer")
        ]
    # 3,840 checks: a standard error of .016
    assert pooled_lag1(fits_of([fit for fit in fits if fit is not None])) == pytest.approx(
        PHI, abs=0.04
    )
