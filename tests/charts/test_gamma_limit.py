"""The limit of single values: its likelihood, its refusals, and what it finds in known values."""

import time

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit
from scipy.stats import beta, gamma, loguniform

from arcdrift.charts.gamma_limit import (
    FEWEST,
    PRIOR,
    GammaLimits,
    gamma_limits,
    histogram_bins,
)

STEP = 0.01
BINS = histogram_bins(STEP)


def counted(values: np.ndarray) -> np.ndarray:
    """Values by recorded steps; one series a row."""
    bins = np.minimum(np.rint(values / STEP).astype(int), BINS - 1)
    return np.stack([np.bincount(row, minlength=BINS) for row in bins])


def crew(series: int, n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Rounded values as in the simulation study (means 0.02 to 0.05 dB, shapes 0.7 to 2, 0.5 to
    2 % log-uniform from 0.2 to 1 dB), and which lie apart."""
    rng = np.random.default_rng(seed)
    mean, shape, share = (
        rng.uniform(low, high, (series, 1)) for low, high in ((0.02, 0.05), (0.7, 2), (0.005, 0.02))
    )
    apart = rng.random((series, n)) < share
    far = 10 ** rng.uniform(np.log10(0.2), 0.0, (series, n))
    return np.where(apart, far, rng.gamma(shape, mean / shape, (series, n))).round(2), apart


def independent_fit(
    values: np.ndarray, limit: float = 0.0, censored: int = 0
) -> tuple[float, float, float]:
    """Shape, scale and share by scipy alone, from every single value and its interval.

    `censored` further values are only known to be below `limit`.
    """
    values, times = np.unique(values, return_counts=True)
    low, high = np.maximum(values - STEP / 2, 0.0), values + STEP / 2
    low, high, times = np.r_[low, 0.0], np.r_[high, limit], np.r_[times, censored]
    far = loguniform(0.1, 1.0)

    def cost(at: np.ndarray) -> float:
        body = gamma(np.exp(at[0]), scale=np.exp(at[1]))
        share = expit(at[2])
        chance = (1 - share) * (body.cdf(high) - body.cdf(low))
        chance += share * (far.cdf(high) - far.cdf(low))
        return float(-(times * np.log(chance + 1e-12)).sum() - beta(*PRIOR).logpdf(share))

    found = minimize(
        cost, [0.0, -3.5, -4.0], method="Nelder-Mead",
        options={"xatol": 1e-5, "fatol": 1e-7, "maxiter": 4000},
    )  # fmt: skip
    assert found.success
    return float(np.exp(found.x[0])), float(np.exp(found.x[1])), float(expit(found.x[2]))


def test_the_fit_is_that_of_a_general_optimizer():
    values, _ = crew(2, 250, seed=11)
    fits = gamma_limits(counted(values))
    for row, of in enumerate(values):
        shape, scale, share = independent_fit(of)
        # bins over 0.3 are merged here and single there: all but the same information
        assert fits.shape[row] == pytest.approx(shape, rel=5e-3)
        assert fits.scale[row] == pytest.approx(scale, rel=5e-3)
        assert fits.share[row] == pytest.approx(share, rel=2e-2)
        assert fits.limit[row] == pytest.approx(gamma.isf(1e-4, shape, scale=scale), rel=5e-3)


@pytest.mark.parametrize("limit", [pytest.param(0.01, marks=pytest.mark.long), 0.02])
def test_values_below_a_limit_count_as_any_value_under_it(limit):
    values, _ = crew(6, 400, seed=5)
    kept = [row[row >= limit] for row in values]
    counts = np.concatenate([counted(row[None, :]) for row in kept])
    below = np.array([[400 - len(row)] for row in kept])
    fits = gamma_limits(counts, below=[limit], below_counts=below)
    assert fits.n.tolist() == [400] * 6
    for row, known in enumerate(kept[:2]):  # the independent fit is slow
        shape, scale, share = independent_fit(known, limit, 400 - len(known))
        assert fits.shape[row] == pytest.approx(shape, rel=5e-3)
        assert fits.scale[row] == pytest.approx(scale, rel=5e-3)
        assert fits.share[row] == pytest.approx(share, rel=2e-2, abs=2e-4)


def test_half_of_a_limit_in_place_of_the_value_would_shift_the_limit():
    # a log that writes "<0.02" for what it rounds to 0.00 and 0.01; the truth is known
    values = np.random.default_rng(3).gamma(1.2, 0.03 / 1.2, (40, 1000)).round(2)
    counts = counted(np.where(values < 0.02, 0.5, values))
    counts[:, 50] = 0
    below = (values < 0.02).sum(axis=1)
    truth = gamma.isf(1e-4, 1.2, scale=0.03 / 1.2)
    # rounded to 0.01 or less is less than 0.015
    censored = gamma_limits(counts, below=[0.015], below_counts=below[:, None]).limit
    counts[:, 1] = below
    at_half = gamma_limits(counts).limit
    assert np.median(censored) == pytest.approx(truth, rel=0.05)
    assert abs(np.median(at_half) - truth) > 2 * abs(np.median(censored) - truth)


def test_a_series_is_fitted_the_same_alone_and_among_others():
    values, _ = crew(20, 150, seed=2)
    together = gamma_limits(counted(values)).limit
    alone = [gamma_limits(row).limit[0] for row in counted(values)]
    assert together == pytest.approx(alone, rel=1e-9)


@pytest.mark.parametrize(("first", "false", "seen"), [(100, 0.25, 0.80), (300, 0.16, 0.81)])
def test_good_values_pass_and_far_ones_are_seen(first, false, seen):
    """Simulation study: 0.23 false per 1,000 good values, 80 % of far ones seen, 98 % real."""
    values, apart = crew(800, first + 600, seed=first)
    limit = gamma_limits(counted(values[:, :first])).limit[:, None]
    flagged, apart = values[:, first:] > limit, apart[:, first:]
    assert 1000 * flagged[~apart].mean() == pytest.approx(false, abs=0.08)
    assert flagged[apart].mean() == pytest.approx(seen, abs=0.03)
    assert apart[flagged].mean() == pytest.approx(0.98, abs=0.015)


def test_the_far_ones_do_not_widen_the_limit_much():
    values, _ = crew(200, 1000, seed=5)
    counts = counted(values)
    without = counts.copy()
    without[:, 20:] = 0
    with_far, without = gamma_limits(counts).limit, gamma_limits(without).limit
    assert np.median(with_far / without) == pytest.approx(1.0, abs=0.05)


def test_rounding_does_not_move_the_fit():
    """Values rounded to 0.01 and the same values to 0.002 tell of the same gamma."""
    rng = np.random.default_rng(8)
    exact = rng.gamma(1.2, 0.02 / 1.2, 20_000)
    coarse = gamma_limits(counted(exact.round(2)[None]))
    bins = histogram_bins(0.002)
    fine = np.bincount(np.minimum(np.rint(exact / 0.002).astype(int), bins - 1), minlength=bins)
    other = gamma_limits(fine, step=0.002)
    assert coarse.shape[0] == pytest.approx(1.2, rel=0.05)
    assert coarse.limit[0] == pytest.approx(other.limit[0], rel=0.02)


def test_too_few_and_shapeless_values_are_refused_in_words():
    few = np.zeros(BINS)
    few[2] = FEWEST - 1
    many_far = np.zeros(BINS)
    many_far[2:5], many_far[30:80] = 50, 2
    fits = gamma_limits(np.stack([few, many_far]))
    assert fits.refusals[0] == "Only 99 so far; a limit needs 100."
    assert "far from the rest" in fits.refusals[1]
    assert np.isnan(fits.limit).all()


def test_a_limit_never_singles_out_the_rounding():
    same = np.zeros((2, BINS))
    same[0, 0], same[1, 2] = 500, 500
    fits: GammaLimits = gamma_limits(same)
    assert fits.refusals == ("", "")
    assert fits.limit == pytest.approx([0.04, 0.04])


def test_bins_that_do_not_fit_the_step_are_an_error():
    with pytest.raises(ValueError, match="101 bins are wanted, not 50"):
        gamma_limits(np.ones((1, 50)))


def test_a_thousand_series_take_well_under_two_seconds():
    counts = counted(crew(1000, 300, seed=1)[0])
    began = time.process_time()
    gamma_limits(counts)
    assert time.process_time() - began < 2.0  # 0.2 s measured
