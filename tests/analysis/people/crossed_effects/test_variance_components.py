"""Variances of maximum likelihood against published figures and likelihoods written out in full."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import approx_fprime, minimize_scalar
from scipy.stats import binom, multivariate_normal, norm

from arcdrift.analysis.people.crossed_effects.variance_components import (
    STINT,
    GaussianDeviance,
    LogitDeviance,
    gaussian_variances,
    logit_variances,
)

CBPP = Path(__file__).parents[3] / "golden" / "data" / "cbpp.csv"


def crew(seed, n=60):
    rng = np.random.default_rng(seed)
    groups = pd.DataFrame(
        {"technician": rng.choice(list("abcd"), n), "splicer": rng.choice(list("xyz"), n)}
    )
    fixed = np.column_stack([np.ones(n), rng.normal(size=n)])
    effects = groups["technician"].map(dict(zip("abcd", rng.normal(0, 0.8, 4), strict=True)))
    return rng, groups, fixed, effects.to_numpy(float)


def dummies(groups):
    return [pd.get_dummies(groups[name], dtype=float).to_numpy() for name in groups.columns]


def test_gaussian_deviance_is_that_of_the_normal_density_written_out():
    """Differences of deviances against scipy's density at the best fixed effects and residual."""
    rng, groups, fixed, effects = crew(1)
    groups[STINT] = rng.choice([f"week {i}" for i in range(20)], 60)
    weight, y = rng.uniform(0.5, 2.0, 60), effects + rng.normal(size=60)
    deviance = GaussianDeviance(y, weight, fixed, groups)

    def written_out(ratio):
        shape = np.diag(1.0 / weight)
        shape += sum(r * z @ z.T for r, z in zip(ratio, dummies(groups), strict=True))
        inverse = np.linalg.inv(shape)
        left = y - fixed @ np.linalg.solve(fixed.T @ inverse @ fixed, fixed.T @ inverse @ y)
        residual = float(left @ inverse @ left) / 60
        return -2.0 * multivariate_normal(cov=residual * shape).logpdf(left), residual

    base = np.array([0.5, 0.2, 0.1])
    start, residual = written_out(base)
    assert deviance.residual(base) == pytest.approx(residual)
    for ratio in ([0.0, 0.0, 0.0], [2.0, 0.0, 0.3], [0.1, 5.0, 0.0]):
        value = deviance(np.array(ratio)).value
        assert value - deviance(base).value == pytest.approx(written_out(ratio)[0] - start)
    slope = deviance(base).gradient
    np.testing.assert_allclose(slope, approx_fprime(base, lambda r: written_out(r)[0], 1e-7),
                               rtol=1e-4, atol=1e-4)  # fmt: skip


def test_a_grouping_that_says_nothing_has_no_variance():
    rng, groups, fixed, _ = crew(2)
    balanced = pd.DataFrame({"technician": np.repeat(list("abc"), 20)})
    y = np.tile([1.0, -1.0], 30) + 1e-3 * rng.normal(size=60)
    found = gaussian_variances(y, np.ones(60), np.ones((60, 1)), balanced)
    # every person has the same mean of 0: the spread between them is less than chance allows
    assert found["technician"] == 0.0
    assert found["residual"] == pytest.approx(1.0, abs=0.01)
    same = gaussian_variances(np.full(60, 3.0), np.ones(60), fixed, groups)
    assert all(0.0 <= value < 1e-12 for value in same.values())


def test_herds_of_cattle_as_published():
    """Data of Lesnoff et al. (2004), Preventive Veterinary Medicine 64, 27-40.

    lme4's glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), binomial) prints
    variance 0.4123, fixed effects -1.3983 -0.9919 -1.1282 -1.5797 and deviance 184.1; its search
    stops within 0.0002 of the lowest deviance's variance.
    """
    data = pd.read_csv(CBPP)
    size = data["size"].to_numpy(float)
    share = data["incidence"].to_numpy(float) / size
    fixed = np.column_stack([np.ones(56), *(data["period"] == k for k in (2, 3, 4))]).astype(float)
    groups = data[["herd"]].astype(str)
    found = logit_variances(share, size, fixed, groups)["herd"]
    assert found == pytest.approx(0.4123, abs=3e-4)
    deviance = LogitDeviance(share, size, fixed, groups)
    value, slope, _ = deviance(np.array([found]))
    np.testing.assert_allclose(deviance.mode[:4], [-1.3983, -0.9919, -1.1282, -1.5797], atol=1e-3)
    constant = binom.logpmf(data["incidence"], data["size"], 0.5) + size * np.log(2.0)
    assert value - 2.0 * constant.sum() == pytest.approx(184.1, abs=0.06)
    assert abs(slope[0]) < 0.01
    assert value < deviance(np.array([0.4123])).value


def test_logit_variance_is_near_that_of_the_exact_likelihood():
    """One effect integrated out on a fine grid, where trials are many."""
    rng = np.random.default_rng(5)
    trials, who = np.full(80, 300.0), np.repeat(np.arange(8), 10)
    chance = 1 / (1 + np.exp(2.0 - rng.normal(0, 0.5, 8)[who]))
    bad = rng.binomial(300, chance)
    sums = np.bincount(who, bad)
    grid = np.linspace(-6.0, 6.0, 2001)

    def exact(variance, constant):
        p = 1 / (1 + np.exp(-constant - np.sqrt(variance) * grid))
        density = binom.pmf(sums[:, None], 3000, p) * norm.pdf(grid)
        return -2.0 * np.log(density.sum(axis=1)).sum()

    found = logit_variances(
        bad / trials, trials, np.ones((80, 1)), pd.DataFrame({"technician": who.astype(str)})
    )["technician"]

    def over_constants(variance):
        return minimize_scalar(lambda c: exact(variance, c), bounds=(-3.0, -1.0)).fun

    best = minimize_scalar(over_constants, bounds=(0.02, 2.0), options={"xatol": 1e-3}).x
    assert found == pytest.approx(best, rel=0.01)


def test_logit_gradient_is_the_slope_of_the_deviance():
    rng, groups, fixed, effects = crew(7)
    trials = rng.integers(5, 40, 60).astype(float)
    share = rng.binomial(trials.astype(int), 1 / (1 + np.exp(1.5 - effects))) / trials
    deviance = LogitDeviance(share, trials, fixed, groups)
    at = np.array([0.4, 0.1])
    slope = deviance(at).gradient
    numeric = [(deviance(at + d).value - deviance(at - d).value) / 2e-3 for d in 1e-3 * np.eye(2)]
    np.testing.assert_allclose(slope, numeric, rtol=1e-3, atol=1e-3)


def test_a_recipe_that_was_never_redone_stops_nothing():
    """Its log odds have no finite estimate; the others' variances are found all the same."""
    rng, groups, _, effects = crew(9)
    never = (np.arange(60) % 6 == 0).astype(float)
    trials = rng.integers(50, 400, 60).astype(float)
    share = rng.binomial(trials.astype(int), 1 / (1 + np.exp(2.0 - effects))) / trials
    share[never == 1] = 0.0
    with_it = logit_variances(share, trials, np.column_stack([np.ones(60), never]), groups)
    told = never == 0
    without = logit_variances(share[told], trials[told], np.ones((told.sum(), 1)), groups[told])
    assert with_it["technician"] == pytest.approx(without["technician"], rel=1e-3)


@pytest.mark.parametrize("likelihood", ["gaussian", "binomial_logit"])
def test_gpboost_told_to_converge_finds_the_same(likelihood: str) -> None:
    import gpboost  # slow to load

    """Reference library, its matrices inverted by Cholesky (its default misses Penicillin)."""
    rng, groups, fixed, effects = crew(12, 400)
    weight = rng.integers(20, 90, 400).astype(float)
    if likelihood == "gaussian":
        groups[STINT] = rng.choice([f"week {i}" for i in range(50)], 400)
        y, find = effects + rng.normal(size=400) * 5.0 / np.sqrt(weight), gaussian_variances
    else:
        chance = 1 / (1 + np.exp(2.0 - effects))
        y, find = rng.binomial(weight.astype(int), chance) / weight, logit_variances
    model = gpboost.GPModel(
        group_data=groups.to_numpy(dtype=str),
        likelihood=likelihood,
        matrix_inversion_method="cholesky",
        weights=weight,
        num_parallel_threads=1,
    )
    model.fit(y=y, X=fixed, params={"optimizer_cov": "lbfgs", "delta_rel_conv": 1e-13})
    theirs = np.ravel(model.get_cov_pars(std_err=False))
    ours = np.array(list(find(y, weight, fixed, groups).values()))
    np.testing.assert_allclose(ours, theirs[: len(ours)], rtol=2e-3, atol=1e-6)
