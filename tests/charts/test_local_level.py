"""The carried level against the Kalman filter of statsmodels."""

import numpy as np
import pytest
from statsmodels.tsa.statespace.structural import UnobservedComponents

from arcdrift.charts.local_level import remaining_weight


def test_a_level_that_may_move_each_day_is_that_of_a_local_level_model():
    rng = np.random.default_rng(11)
    noise, move = 0.04, 0.01
    y = np.cumsum(rng.normal(0, np.sqrt(move), 60)) + rng.normal(0, np.sqrt(noise), 60)
    model = UnobservedComponents(y, "local level")
    model.ssm.initialize_known(np.zeros(1), np.full((1, 1), 100.0))
    model.ssm.tolerance = 0  # else it stops updating once the variance has nearly settled
    reference = model.smooth([noise, move])

    weight, total = np.array([1e-2]), np.zeros(1)
    level, variance = [], []
    for value in y:
        level.append(total[0] / weight[0])
        variance.append(1.0 / weight[0])
        weight, total = weight + 1.0 / noise, total + value / noise
        share = remaining_weight(weight, np.array([move]))
        weight, total = weight * share, total * share
    np.testing.assert_allclose(level, reference.predicted_state[0, :-1], rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(variance, reference.predicted_state_cov[0, 0, :-1], rtol=1e-9)


def test_a_level_that_stays_keeps_its_precision():
    assert remaining_weight(np.array([25.0]), np.array([0.0])) == pytest.approx(1.0)
    # precision 25 is a variance of 0.04; 0.12 more makes 0.16
    assert 25.0 * remaining_weight(np.array([25.0]), np.array([0.12])) == pytest.approx(1 / 0.16)
