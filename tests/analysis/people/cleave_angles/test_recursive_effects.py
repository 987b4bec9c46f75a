"""The recursion of the charts' expectation against other computations of the same model."""

import numpy as np
from scipy.sparse import csr_array
from statsmodels.tsa.statespace.structural import UnobservedComponents

from arcdrift.analysis.people.cleave_angles.recursive_effects import RecursiveEffects


def test_one_series_is_the_local_level_of_statsmodels():
    rng = np.random.default_rng(4)
    step, noise, n = 0.05, 0.2, 120
    y = np.cumsum(rng.normal(0, step, n)) + rng.normal(0, noise, n)
    y[[17, 60]] = np.nan  # days without work
    model = UnobservedComponents(y, "local level")
    # the level moves before the first day too, so the prior variance is one step smaller
    model.ssm.initialize_known(np.zeros(1), np.array([[1.0 + step**2]]))
    reference = model.smooth([noise**2, step**2])
    effects = RecursiveEffects(np.zeros(1), np.ones(1), np.array([step]))
    design = csr_array(np.ones((1, 1)))
    for day, value in enumerate(y):
        effects.advance()
        prediction = effects.predict(design)
        expected, error = prediction.expected, prediction.error
        np.testing.assert_allclose(expected[0], reference.forecasts[0, day], atol=1e-10)
        np.testing.assert_allclose(
            error[0, 0] + noise**2, reference.forecasts_error_cov[0, 0, day], atol=1e-10
        )
        if np.isfinite(value):
            effects.learn(prediction, np.ones(1, bool), value - expected, np.array([noise**2]))
    np.testing.assert_allclose(effects.mean[0], reference.filtered_state[0, -1], atol=1e-10)


def test_without_steps_it_is_the_ridge_regression_of_all_rows():
    rng = np.random.default_rng(5)
    sd, mean = np.array([1.0, 0.3, 0.3, 0.2]), np.array([-0.4, 0.0, 0.0, 0.0])
    design = np.column_stack([np.ones(60), rng.integers(0, 2, (60, 2)), rng.normal(size=60)])
    variance = rng.uniform(0.01, 0.1, 60)
    y = rng.normal(size=60)
    effects = RecursiveEffects(mean, sd, np.zeros(4))
    for rows in np.array_split(np.arange(60), 13):
        effects.advance()
        part = csr_array(design[rows])
        prediction = effects.predict(part)
        every = np.ones(len(rows), dtype=bool)
        effects.learn(prediction, every, y[rows] - prediction.expected, variance[rows])
    precision = design.T @ (design / variance[:, None]) + np.diag(sd**-2.0)
    at_once = np.linalg.solve(precision, design.T @ (y / variance) + mean / sd**2)
    np.testing.assert_allclose(effects.mean, at_once, atol=1e-10)
    np.testing.assert_allclose(effects.covariance, np.linalg.inv(precision), atol=1e-10)
