"""Everybody against the median of the others."""

import numpy as np
import pytest

from arcdrift.analysis.people.median_colleague import differences_from_median, medians_of_others


@pytest.mark.parametrize("count", [2, 3, 4, 7, 10])
def test_medians_of_others_are_those_of_numpy(count):
    values = np.random.default_rng(count).integers(0, 5, (40, count)).astype(float)  # with ties
    expected = [np.median(np.delete(values, column, axis=1), axis=1) for column in range(count)]
    np.testing.assert_allclose(medians_of_others(values), np.transpose(expected))


def test_one_careless_person_does_not_move_the_others():
    even = np.zeros(6)
    careless = np.append(even, 1.0)
    covariance = 0.01 * np.eye(7)
    told = differences_from_median(careless, covariance, np.zeros(7, dtype=int))
    np.testing.assert_array_equal(told.effect, careless)
    # against the mean of all, the six would each lie 0.14 below it
    assert (careless - careless.mean())[0] < -0.14


def test_the_spread_holds_what_the_median_of_the_others_adds():
    """With many equal colleagues the median has a variance of pi / 2n: Kendall and Stuart 1963."""
    count, sd = 201, 0.1
    told = differences_from_median(np.zeros(count), sd**2 * np.eye(count), np.zeros(count, int))
    expected = sd * np.sqrt(1 + np.pi / 2 / (count - 1))
    # the draws are random: 2,000 of them give a standard deviation to 1.6 %
    np.testing.assert_allclose(told.sd, expected, rtol=0.07)
    np.testing.assert_allclose(told.sd.mean(), expected, rtol=0.01)


def test_what_everybody_shares_does_not_widen_the_difference():
    shared = np.full((5, 5), 4.0) + 0.01 * np.eye(5)
    told = differences_from_median(np.arange(5.0), shared, np.zeros(5, dtype=int))
    assert (told.sd < 0.2).all()


def test_parts_are_compared_within_themselves_and_one_alone_with_nobody():
    effect = np.array([0.0, 0.2, 5.0, 5.4, 9.0])
    told = differences_from_median(effect, 0.01 * np.eye(5), np.array([0, 0, 1, 1, 2]))
    np.testing.assert_allclose(told.effect, [-0.2, 0.2, -0.4, 0.4, 0.0])
    assert told.sd[4] == 0.0


def test_a_covariance_rounded_otherwise_gives_the_same_spread():
    """Eigenvectors of nearly equal variances turn freely; the draws must not turn with them."""
    noise = 1e-15 * np.random.default_rng(2).standard_normal((8, 8))
    covariance, part = 0.01 * np.eye(8), np.zeros(8, dtype=int)
    told = differences_from_median(np.arange(8.0), covariance, part)
    again = differences_from_median(np.arange(8.0), covariance + noise + noise.T, part)
    np.testing.assert_allclose(again.sd, told.sd, rtol=1e-9)
