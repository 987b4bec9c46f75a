"""The search for the lowest deviance, against closed forms and scipy's search."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from arcdrift.analysis.people.crossed_effects.variance_components import (
    STINT,
    GaussianDeviance,
    LogitDeviance,
)
from arcdrift.analysis.people.crossed_effects.variance_search import Slope, lowest_deviance
from arcdrift.charts import partly_diagonal


@pytest.mark.parametrize("between", [0.0, 1e-4, 0.03, 1.0, 40.0])
def test_equal_numbers_of_equal_rows_have_the_closed_form(between: float) -> None:
    """20 people of 30 rows each: between + within/30 is the mean square of the people's means.

    The analysis of variance of one way by maximum likelihood (Searle, Casella and McCulloch 1992,
    Variance Components, section 3.7, from memory).
    """
    rng = np.random.default_rng(2)
    who = np.repeat(np.arange(20), 30)
    own = rng.normal(0.0, np.sqrt(between), 20)
    y = 5.0 + own[who] + rng.normal(size=600)
    means = np.bincount(who, y) / 30
    within = float(((y - means[who]) ** 2).sum()) / (600 - 20)
    expected = float(((means - means.mean()) ** 2).mean()) - within / 30
    groups = pd.DataFrame({"technician": who.astype(str)})
    deviance = GaussianDeviance(y, np.ones(600), np.ones((600, 1)), groups)
    ratio = lowest_deviance(deviance, 1)
    assert ratio[0] * deviance.residual(ratio) == pytest.approx(max(expected, 0.0), rel=1e-7)


def crew(
    seed: int, rows: int, stints: bool
) -> tuple[np.random.Generator, pd.DataFrame, np.ndarray]:
    """Rows of people on splicers with cleavers, and their effects; cleavers have none."""
    rng = np.random.default_rng(seed)
    groups = pd.DataFrame({
        "technician": rng.choice(list("abcdefgh"), rows),
        "splicer": rng.choice(list("uvwxyz"), rows),
        "cleaver": rng.choice(["C1", "C2", "C3", "C4"], rows),
    })  # fmt: skip
    effects = sum(
        groups[name].map({each: rng.normal(0, sd) for each in groups[name].unique()})
        for name, sd in (("technician", 0.8), ("splicer", 0.1))
    )
    if stints:
        groups[STINT] = rng.integers(0, rows // 5, rows)
    return rng, groups, np.asarray(effects, dtype=np.float64)


def same_as_scipy(make: Callable[[], Callable[[np.ndarray], Slope]], count: int) -> None:
    """No higher than where scipy's search ends, at the same variances, and level there."""
    found, deviance = lowest_deviance(make(), count), make()
    theirs = minimize(
        lambda at: deviance(at)[:2], np.full(count, 0.3), jac=True, method="L-BFGS-B",
        bounds=[(0.0, None)] * count, options={"ftol": 1e-15, "gtol": 1e-9},
    )  # fmt: skip
    value, gradient, _ = deviance(found)
    assert value <= theirs.fun + 1e-8
    np.testing.assert_allclose(found, theirs.x, rtol=1e-4, atol=1e-6)
    np.testing.assert_allclose(gradient * found, 0.0, atol=1e-4)
    assert (gradient[found == 0.0] >= 0.0).all()


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("fewest", [1, 200])
def test_it_ends_where_the_search_of_scipy_ends(
    seed: int, fewest: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(partly_diagonal, "FEWEST_UNKNOWNS", fewest)
    rng, groups, effects = crew(seed, 300, seed % 2 == 0)
    weight = rng.integers(20, 90, 300).astype(float)
    fixed = np.column_stack([np.ones(300), rng.normal(size=300)])
    y = effects + rng.normal(size=300) * 5.0 / np.sqrt(weight)
    same_as_scipy(lambda: GaussianDeviance(y, weight, fixed, groups), groups.shape[1])
    groups = groups.drop(columns=STINT, errors="ignore")
    share = rng.binomial(weight.astype(int), 1 / (1 + np.exp(2.0 - effects))) / weight
    same_as_scipy(lambda: LogitDeviance(share, weight, fixed, groups), 3)


def test_a_step_that_would_go_up_is_shortened() -> None:
    """The expected curvature may be far too small: here by a factor of 400."""

    def deviance(at: np.ndarray) -> Slope:
        left = at - [2.0, 0.0]
        return Slope(float(200 * left @ left), 400 * left, np.eye(2))

    np.testing.assert_allclose(lowest_deviance(deviance, 2), [2.0, 0.0], atol=1e-6)
