"""The evidence of a shift, against the densities of scipy integrated by brute force."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm

from arcdrift.charts.random_effects import NO_SHIFT, RandomEffectsModel, shift_log_bayes_factor

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


def with_blocks(rng: np.random.Generator, n: int = 90) -> tuple[RandomEffectsModel, dict]:
    """Cells of days and blocks within a day, and their covariance written out."""
    day = np.sort(rng.integers(0, 12, n))
    block = day * 4 + rng.integers(0, 4, n)
    stream, person = rng.integers(0, (7, 5), (n, 2)).T
    block_variance = rng.uniform(0.001, 0.02, 48)
    variance, values = rng.uniform(0.005, 0.05, n), rng.normal(0.1, 0.3, n)
    extra = rng.random(n) < 0.3
    whole = np.diag(variance) + 0.35**2 * np.outer(extra, extra)
    whole += block_variance[block] * (block[:, None] == block[None, :])
    for codes, sd in ((stream, 0.2), (person, 0.1), (day, 0.03)):
        whole += sd**2 * (codes[:, None] == codes[None, :])
    model = RandomEffectsModel(
        values,
        variance,
        [(stream, 0.2), (person, 0.1), (day, 0.03)],
        blocks=(block, block_variance[block]),
        shifts=[(extra, 0.35)],
    )
    return model, {
        "day": day, "stream": stream, "person": person, "values": values, "whole": whole,
        "extra": extra,
    }  # fmt: skip


def test_scores_of_all_onsets_agree_with_the_covariance_written_out() -> None:
    model, truth = with_blocks(np.random.default_rng(8))
    # the first five days cannot be an onset, and one stream is no subject; people follow streams
    subject = np.stack(
        [np.where(truth["stream"] == 6, -1, truth["stream"]), 6 + truth["person"]]
    )  # fmt: skip
    subjects = int(subject.max()) + 1
    sets, more = model.by_onset(subject, subjects, truth["day"] - 5, 7), truth["day"] > 8
    for added, whole in (
        (model, truth["whole"]),
        (model.with_shifts([(more, 0.5)]), truth["whole"] + 0.5**2 * np.outer(more, more)),
    ):
        score, information = added.scores_by_onset(sets)
        inverse = np.linalg.inv(whole)
        for number in range(subjects):
            for onset in range(7):
                cells = (subject == number).any(axis=0) & (truth["day"] - 5 >= onset)
                assert score[number, onset] == pytest.approx(cells @ inverse @ truth["values"])
                assert information[number, onset] == pytest.approx(cells @ inverse @ cells)


def test_information_is_computed_for_the_scores_above_a_limit() -> None:
    model, truth = with_blocks(np.random.default_rng(8))
    sets = model.by_onset(truth["stream"][None, :], 8, truth["day"] - 5, 7)
    score, information = model.scores_by_onset(sets)
    least = np.quantile(score, 0.8, axis=1)
    least[3] = np.inf
    fresh = model.by_onset(truth["stream"][None, :], 8, truth["day"] - 5, 7)
    for _ in range(2):
        some = model.scores_by_onset(fresh, least)[1]
        expected = np.where(score > least[:, None], information, 0.0)
        np.testing.assert_allclose(some, expected, rtol=1e-12)


def test_sets_of_cells_agree_with_the_covariance_written_out() -> None:
    model, truth = with_blocks(np.random.default_rng(10))
    sets = np.stack([truth["stream"] == 2, truth["day"] > 4, truth["extra"]], axis=1)
    inverse = np.linalg.inv(truth["whole"])
    score, information = model.scores_and_information(sets)
    np.testing.assert_allclose(score, sets.T @ inverse @ truth["values"])
    np.testing.assert_allclose(information, sets.T @ inverse @ sets.astype(float), atol=1e-9)


def test_a_shift_can_be_added() -> None:
    model, truth = with_blocks(np.random.default_rng(9))
    more, cells = truth["day"] > 6, truth["stream"] == 2
    whole = truth["whole"] + 0.5**2 * np.outer(more, more)
    information = cells @ np.linalg.inv(whole) @ cells
    added = model.with_shifts([(more, 0.5)])
    assert added.scores_and_information(cells[:, None])[1][0, 0] == pytest.approx(information)


@pytest.mark.parametrize(("score", "information"), [(3.0, 10.0), (-2.0, 40.0), (25.0, 60.0)])
def test_bayes_factor_is_the_integral_over_the_truncated_normal(
    score: float, information: float
) -> None:
    def weighed(size: float) -> float:
        return float(
            2 * norm.pdf(size, scale=0.35) * np.exp(score * size - information * size**2 / 2)
        )

    integral = quad(weighed, 0.0, 3.0, epsabs=1e-13, epsrel=1e-11)[0]
    found = shift_log_bayes_factor(np.array(score), np.array(information), 0.35)
    assert found == pytest.approx(np.log(integral), abs=1e-8)
