"""The recursion of the charts' expectation against other computations of the same model."""

import numpy as np
from statsmodels.tsa.statespace.structural import UnobservedComponents

from arcdrift.analysis.people.cleave_angles.recursive_effects import (
    MOST_ROWS,
    RecursiveEffects,
    Terms,
)


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
    level = Terms(np.zeros((1, 1), dtype=np.int64), np.ones((1, 1)))
    for day, value in enumerate(y):
        effects.advance()
        expected, error = effects.expected(level), effects.errors(level, level)
        np.testing.assert_allclose(expected[0], reference.forecasts[0, day], atol=1e-10)
        np.testing.assert_allclose(
            error[0] + noise**2, reference.forecasts_error_cov[0, 0, day], atol=1e-10
        )
        if np.isfinite(value):
            effects.learn(level, value - expected, np.array([noise**2]))
    np.testing.assert_allclose(effects.mean[0], reference.filtered_state[0, -1], atol=1e-10)


def test_without_steps_it_is_the_ridge_regression_of_all_rows():
    """In any parts: as on a day of more rows than are learned from at once."""
    rng = np.random.default_rng(5)
    sd, mean = np.array([1.0, 0.3, 0.3, 0.2]), np.array([-0.4, 0.0, 0.0, 0.0])
    count = 3 * MOST_ROWS
    design = np.column_stack(
        [np.ones(count), rng.integers(0, 2, (count, 2)), rng.normal(size=count)]
    )
    variance, y = rng.uniform(0.01, 0.1, count), rng.normal(size=count)
    terms = Terms(np.tile(np.arange(4), (count, 1)), design)
    precision = design.T @ (design / variance[:, None]) + np.diag(sd**-2.0)
    at_once = np.linalg.solve(precision, design.T @ (y / variance) + mean / sd**2)
    for parts in (1, 2, 13):
        effects = RecursiveEffects(mean, sd, np.zeros(4))
        for rows in np.array_split(np.arange(count), parts):
            effects.advance()
            part = terms.of(rows)
            effects.learn(part, y[rows] - effects.expected(part), variance[rows])
        np.testing.assert_allclose(effects.mean, at_once, atol=1e-10)
        np.testing.assert_allclose(effects.covariance, np.linalg.inv(precision), atol=1e-10)
        np.testing.assert_allclose(effects.expected(terms), design @ at_once, atol=1e-10)
        np.testing.assert_allclose(
            effects.errors(terms.of(slice(0, 9)), terms.of(slice(9, 18))),
            np.diag(design[:9] @ np.linalg.solve(precision, design[9:18].T)), atol=1e-12,
        )  # fmt: skip
