"""CrossedEffects effects against published figures and another library."""

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.optimize import minimize

from arcdrift.analysis.people.crossed_effects.crossed_random_effects import (
    MixedModelEquations,
    fit_crossed_effects,
    full_rank,
)

PENICILLIN = Path(__file__).parents[3] / "golden" / "data" / "penicillin.csv"
# lme4 1.1-31 on the data of Davies 1967, by maximum likelihood and by REML; the REML figures
# agree with the closed form of the balanced analysis of variance
ML = {"technician": 0.845572, "splicer": 1.770646, "residual": 0.549932}
REML = {"technician": 0.846704, "splicer": 1.931558, "residual": 0.549923}
SAMPLES_ML = [2.185660, -1.009830, 1.936661, -0.096833, -0.013833, -3.001824]
SAMPLES_REML = [2.187058, -1.010476, 1.937899, -0.096895, -0.013842, -3.003744]


@pytest.fixture(scope="module")
def assay():
    data = pd.read_csv(PENICILLIN)
    groups = pd.DataFrame({"technician": data["plate"], "splicer": data["sample"]})
    return data, groups


def test_penicillin_by_maximum_likelihood(assay):
    data, groups = assay
    fit = fit_crossed_effects(
        data["diameter"].to_numpy(float), np.ones(len(data)), np.ones((len(data), 1)), groups
    )
    for name, sd in ML.items():
        assert np.sqrt(fit.variances[name]) == pytest.approx(sd, abs=1e-4)
    samples = [fit.effect[place] for place in fit.positions("splicer").values()]
    np.testing.assert_allclose(samples, SAMPLES_ML, atol=1e-3)


def test_the_equations_give_the_published_effects_for_reml_variances_too(assay):
    data, groups = assay
    variances = {name: sd**2 for name, sd in REML.items()}
    design = MixedModelEquations(np.ones((len(data), 1)), groups, variances)
    effect = design.solve(
        data["diameter"].to_numpy(float), np.full(len(data), 1 / variances["residual"])
    ).effect
    np.testing.assert_allclose(effect[-6:], SAMPLES_REML, atol=2e-5)


def test_mixedlm_by_reml_differs_from_ml_as_theory_says(assay):
    """REML divides the spread of the six samples by 5, maximum likelihood by 6."""
    data, groups = assay
    with warnings.catch_warnings(action="ignore"):
        reml = smf.mixedlm(
            "diameter ~ 1", data.assign(one=1), groups="one", re_formula="0",
            vc_formula={"plate": "0 + C(plate)", "sample": "0 + C(sample)"},
        ).fit(reml=True)  # fmt: skip
    names = reml.model.exog_vc.names
    found = dict(zip(names, np.sqrt(reml.vcomp), strict=True))
    assert found["plate"] == pytest.approx(REML["technician"], abs=2e-4)
    assert found["sample"] == pytest.approx(REML["splicer"], abs=2e-4)
    ours = fit_crossed_effects(
        data["diameter"].to_numpy(float), np.ones(len(data)), np.ones((len(data), 1)), groups
    ).variances
    # mean square of samples 89.84444 = residual + 24 var (REML) ; 5/6 of it for ML, closed form
    ratio = (24 * ours["splicer"] + ours["residual"]) / 89.8444444
    assert ratio == pytest.approx(5 / 6, abs=0.01)


def test_covariance_is_that_of_a_dense_calculation():
    """Against V and its inverse written out in full, stints and weights included."""
    rng = np.random.default_rng(3)
    groups = pd.DataFrame(
        {"technician": rng.choice(list("abc"), 40), "splicer": rng.choice(list("xy"), 40),
         "stint": rng.choice(list("12345"), 40)}
    )  # fmt: skip
    fixed = np.column_stack([np.ones(40), rng.normal(size=40)])
    weight, y = rng.uniform(0.5, 2, 40), rng.normal(size=40)
    v = {"technician": 0.3, "splicer": 0.5, "stint": 0.2, "residual": 0.7}
    design = MixedModelEquations(fixed, groups, v)
    effect, covariance = design.solve(y, weight / v["residual"])
    z = pd.get_dummies(groups[["technician", "splicer"]], dtype=float).to_numpy()
    s = pd.get_dummies(groups["stint"], dtype=float).to_numpy()
    g = np.diag([0.3] * 3 + [0.5] * 2)
    big = z @ g @ z.T + 0.2 * s @ s.T + np.diag(0.7 / weight)
    inverse = np.linalg.inv(big)
    beta = np.linalg.solve(fixed.T @ inverse @ fixed, fixed.T @ inverse @ y)
    np.testing.assert_allclose(effect, g @ z.T @ inverse @ (y - fixed @ beta), atol=1e-10)
    p = inverse - inverse @ fixed @ np.linalg.inv(fixed.T @ inverse @ fixed) @ fixed.T @ inverse
    np.testing.assert_allclose(covariance(), g - g @ z.T @ p @ z @ g, atol=1e-10)


def test_logit_mode_is_that_of_the_penalized_likelihood():
    """No direction improves the penalized log likelihood (scipy's optimizer agrees)."""
    rng = np.random.default_rng(8)
    groups = pd.DataFrame(
        {"technician": rng.choice(list("abcd"), 60), "splicer": rng.choice(list("xyz"), 60)}
    )
    trials = rng.integers(20, 200, 60).astype(float)
    share = rng.binomial(trials.astype(int), 0.05) / trials
    v = {"technician": 0.2, "splicer": 0.1}
    design = MixedModelEquations(np.ones((60, 1)), groups, v)
    effect = design.solve_logit(share, trials).effect
    z = pd.get_dummies(groups, dtype=float).to_numpy()

    def loss(u):
        eta = u[0] + z @ u[1:]
        prior = (u[1:5] @ u[1:5] / 0.2 + u[5:] @ u[5:] / 0.1) / 2
        return -(trials * (share * eta - np.log1p(np.exp(eta)))).sum() + prior

    best = minimize(loss, np.zeros(8), method="BFGS", options={"gtol": 1e-6})
    np.testing.assert_allclose(effect, best.x[1:], atol=1e-4)


def test_columns_that_say_nothing_new_are_left_out():
    one = np.ones(6)
    a = np.array([0, 1, 0, 1, 0, 1.0])
    assert full_rank(np.column_stack([one, a, 1 - a, 2 * a])).shape == (6, 2)
