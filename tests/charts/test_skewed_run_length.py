"""EWMA charts of values that are not normal: limits of the laws, simulation, refusals."""

import math

import numpy as np
import pytest
from scipy.stats import gamma

from arcdrift.charts.ewma import ewma_with_resets
from arcdrift.charts.limits import ewma_limit_of
from arcdrift.charts.run_length import ewma_arl
from arcdrift.charts.skewed_run_length import Gamma, StudentT, ewma_arl_of
from arcdrift.errors import BadInput


@pytest.mark.parametrize("sided", ["one", "two"])
@pytest.mark.parametrize("shift", [-0.5, 0.0, 1.0])
def test_many_degrees_of_freedom_are_normal(sided, shift):
    normal = ewma_arl(0.2, 2.6, shift, sided=sided)
    assert ewma_arl_of(StudentT(1e8), 0.2, 2.6, shift, sided=sided) == pytest.approx(
        normal, rel=1e-5
    )


@pytest.mark.parametrize("shape", [0.3, 1.0, 7.0])
def test_the_partial_mean_grows_with_value_times_density(shape):
    x, small, root = np.linspace(-0.4, 6.0, 40), 1e-5, math.sqrt(shape)
    law = Gamma(shape)
    growth = (law.partial_mean(x + small) - law.partial_mean(x - small)) / (2.0 * small)
    expected = x * gamma.pdf(shape + root * x, shape) * root
    np.testing.assert_allclose(growth, expected, rtol=1e-5, atol=1e-8)
    assert law.partial_mean(np.array([-root - 1.0, 1e3])) == pytest.approx([0.0, 0.0])


def test_the_average_is_that_of_simulated_gamma_charts():
    shape, lam, limit = 1.0, 0.2, 2.0
    rng = np.random.default_rng(41)
    z = (rng.gamma(shape, size=(700, 2000)) - shape) / math.sqrt(shape)
    for sided in ("one", "two"):
        signal = ewma_with_resets(z, lam, limit, sided=sided).signal != 0
        assert signal.any(axis=0).all()
        runs = signal.argmax(axis=0) + 1
        expected = ewma_arl_of(Gamma(shape), lam, limit, sided=sided)
        assert abs(runs.mean() - expected) < 4 * runs.std() / math.sqrt(len(runs))


@pytest.mark.parametrize("sided", ["one", "two"])
def test_the_limit_gives_back_its_run_length(sided):
    limit = ewma_limit_of(Gamma(1.5), 0.3, 300.0, sided=sided)
    assert ewma_arl_of(Gamma(1.5), 0.3, limit, sided=sided) == pytest.approx(300.0, rel=1e-6)


def test_runs_too_long_to_compute_are_infinite():
    assert ewma_arl_of(Gamma(100.0), 0.6, 12.0) == math.inf


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Gamma(0.0), "shape of a gamma distribution is above 0, not 0"),
        (lambda: StudentT(2.0), "variance only above 2 degrees, not 2"),
        (lambda: ewma_arl_of(Gamma(1.0), 0.0, 3.0), "above 0 and at most 1, not 0"),
        (lambda: ewma_arl_of(Gamma(1.0), 0.2, 0.0), "limit must be a number above 0"),
        (lambda: ewma_arl_of(Gamma(1.0), 0.2, 3.0, sided="both"), "say 'one' or 'two'"),
    ],
)
def test_impossible_charts_are_refused_in_words(call, message):
    with pytest.raises(BadInput, match=message):
        call()
