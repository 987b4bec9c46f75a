"""The evidence of a shift, against the densities of scipy integrated by brute force."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm

from arcdrift.analysis.causes.random_effects import NO_SHIFT, RandomEffectsModel

STREAM, PERSON = np.array([0, 0, 0, 1, 1, 2, 2, 2]), np.array([0, 1, 0, 1, 0, 1, -1, 1])
VARIANCE = np.array([0.02, 0.03, 0.01, 0.05, 0.02, 0.04, 0.02, 0.03])
VALUES = np.array([0.1, 0.35, -0.05, 0.4, 0.02, 0.5, 0.1, 0.3])
CELLS = np.array([False, True, False, True, False, True, False, False])
STREAM_SD, PERSON_SD, SPREAD = 0.1, 0.08, 0.35


def model() -> RandomEffectsModel:
    return RandomEffectsModel(VALUES, VARIANCE, [(STREAM, STREAM_SD), (PERSON, PERSON_SD)])


def covariance() -> np.ndarray:
    same_stream = STREAM[:, None] == STREAM[None, :]
    same_person = (PERSON[:, None] == PERSON[None, :]) & (PERSON >= 0)[:, None]
    return np.diag(VARIANCE) + STREAM_SD**2 * same_stream + PERSON_SD**2 * same_person


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_evidence_is_the_ratio_of_marginal_likelihoods(side: float) -> None:
    density = multivariate_normal(np.zeros(len(VALUES)), covariance())

    def weighed(size: float) -> float:
        shifted = VALUES - side * size * CELLS
        return float(2 * norm.pdf(size, scale=SPREAD) * density.pdf(shifted))

    marginal = quad(weighed, 0.0, 4.0, epsabs=1e-12)[0]
    shift = model().shift_bayes_factor(CELLS, side, SPREAD)
    assert shift.log_bayes_factor == pytest.approx(np.log(marginal / density.pdf(VALUES)), abs=1e-6)


def test_size_is_the_posterior_mean_of_a_normal_shift() -> None:
    # Bayesian linear regression with known covariance: (c'V^-1 c + 1/t^2)^-1 c'V^-1 y
    inverse = np.linalg.inv(covariance())
    information = CELLS @ inverse @ CELLS
    shift = model().shift_bayes_factor(CELLS, 1.0, SPREAD)
    assert shift.information == pytest.approx(information)
    mean = CELLS @ inverse @ VALUES / (information + SPREAD**-2)
    assert shift.size == pytest.approx(mean)


def test_no_cells_are_no_evidence() -> None:
    assert model().shift_bayes_factor(np.zeros(8, dtype=bool), 1.0, SPREAD) == NO_SHIFT


def test_many_cells_agree_with_their_whole_covariance() -> None:
    rng = np.random.default_rng(5)
    n = 80
    stream, day, person = rng.integers(0, (12, 9, 6), (n, 3)).T
    since = np.where(day >= 4, stream, -1)
    groups = [(stream, 0.1), (person, 0.08), (day, 0.03), (since, 0.09)]
    variance = rng.uniform(0.005, 0.05, n)
    values = rng.normal(0.1, 0.3, n)
    whole = np.diag(variance)
    for codes, sd in groups:
        whole += sd**2 * ((codes[:, None] == codes[None, :]) & (codes >= 0)[:, None])
    many = RandomEffectsModel(values, variance, groups)
    for cells in rng.random((5, n)) < 0.3:
        # generalized least squares with the covariance written out
        information = cells @ np.linalg.solve(whole, cells.astype(float))
        score = cells @ np.linalg.solve(whole, values)
        shift = many.shift_bayes_factor(cells, 1.0, SPREAD)
        assert shift.information == pytest.approx(information, rel=1e-8)
        assert shift.size == pytest.approx(score / (information + SPREAD**-2), rel=1e-8)
