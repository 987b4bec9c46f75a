"""Limits of shares against published p charts, and run lengths of single trials.

Data and figures: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.3.2 (30 wafers, 50
chips each; mean share .231333, limits .052428 and .410239, wafers 15 and 23 outside); Ishikawa,
Guide to Quality Control, pages 77-79 (465 of 4,678; only lot 14 outside). With Laney's p' limits
(2002, Quality Engineering 14, 531-537), which allow for shares that differ, no wafer is outside.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.charts.binomial_cusum import RATIO, binomial_cusum_limit, binomial_cusums
from arcdrift.charts.funnel import binomial_limits, overdispersion

DATA = Path(__file__).parent / "data"
THREE_SIGMA = 0.9973002039367398
"""Probability between three standard deviations either way, from any normal table."""


def wafers() -> tuple[np.ndarray, np.ndarray]:
    table = pd.read_csv(DATA / "nist_p_chart.csv")
    return np.rint(50 * table["fraction"].to_numpy()), np.full(len(table), 50.0)


def lots() -> tuple[np.ndarray, np.ndarray]:
    table = pd.read_csv(DATA / "ishikawa_p_and_laney.csv")
    return table["defective"].to_numpy(dtype=float), table["n"].to_numpy(dtype=float)


def outside(bad: np.ndarray, n: np.ndarray, *, spread: float = 1.0) -> list[int]:
    """Numbers, from 1 on, of the points outside the limits."""
    low, high = binomial_limits(np.rint(n / spread), bad.sum() / n.sum(), THREE_SIGMA)
    return (np.flatnonzero((bad / n < low) | (bad / n > high)) + 1).tolist()


def test_limits_of_a_share_are_those_of_the_published_p_chart() -> None:
    bad, n = wafers()
    share = bad.sum() / n.sum()
    assert share == pytest.approx(0.231333, abs=1e-6)
    low, high = binomial_limits(50, share, THREE_SIGMA)
    # exact limits, where the handbook's are normal: less than one chip of 50 apart
    assert float(low) == pytest.approx(0.052428, abs=0.02)
    assert float(high) == pytest.approx(0.410239, abs=0.02)
    assert outside(bad, n) == [15, 23]


def test_limits_of_lots_of_different_size_are_those_of_the_published_p_chart() -> None:
    bad, n = lots()
    assert (bad.sum(), n.sum()) == (465, 4678)
    assert outside(bad, n) == [14]


def test_limits_that_allow_for_shares_that_differ_are_those_of_laney() -> None:
    """Sigma z 1.66086672 of the wafers, computed by his formula."""
    bad, n = wafers()
    spread = overdispersion(bad, n, bad.sum() / n.sum())
    # winsorized mean squares instead of moving ranges: within a third of each other
    assert spread == pytest.approx(1.66086672**2, rel=0.34)
    assert outside(bad, n, spread=spread) == []
    # of the lots, shares vary no more than chance allows as a whole; only neighbors differ, which
    # his moving ranges (sigma z 1.378) take for more
    assert overdispersion(*lots(), 465 / 4678) == 1.0


def test_dispersion_of_the_chart_is_that_of_the_published_shares() -> None:
    """After many days, the excess that the chart allows for is near that of Laney's p' chart."""
    bad, n = wafers()
    days = np.tile(bad, 20)[:, None], np.tile(n, 20)[:, None]
    learned = binomial_cusums(*days, 1000.0).dispersion[-1, 0]
    z = (bad / n - bad.sum() / n.sum()) / np.sqrt(0.231333 * (1 - 0.231333) / n)
    # 1.25 times the excess of the mean square over 1, as the chart errs on that side
    assert learned == pytest.approx(1.0 + 1.25 * (float(np.mean(z**2)) - 1.0), rel=0.1)


def bernoulli_arl(p: float, m: int, h: float, chance: float) -> float:
    """Exact average run length of ``S = max(0, S + x - 1 / m)``, alarm beyond h.

    Single trials x of a chance move S on a lattice of steps 1 / m, so that it is a finite Markov
    chain without any rounding, the device of Reynolds and Stoumbos (1999, Journal of Quality
    Technology 31, 87-108, from memory).
    """
    top = int(np.floor(h * m + 1e-9))
    states = np.arange(top + 1)
    chain = np.zeros((top + 1, top + 1))
    np.add.at(chain, (states, np.maximum(states - 1, 0)), 1.0 - chance)
    up = states + m - 1
    chain[states[up <= top], up[up <= top]] += chance
    return float(np.linalg.solve(np.eye(top + 1) - chain, np.ones(top + 1))[0])


def corrected_diffusion_arl(p0: float, p1: float, h: float) -> float:
    """Average number of trials to a signal at ``S >= h`` without a change.

    Corrected diffusion approximation of Reynolds and Stoumbos (1999, Journal of Quality Technology
    31, 87-108; its constants from memory, natural logarithms, for p0 from .01 to .5).
    """
    r1, r2 = np.log((1 - p0) / (1 - p1)), np.log(p1 * (1 - p0) / (p0 * (1 - p1)))
    log_p = np.log(p0)
    correction = (
        0.410 - 0.0842 * log_p - 0.0391 * log_p**3 - 0.00376 * log_p**4 - 0.000008 * log_p**7
    )
    corrected = h + correction * np.sqrt(p0 * (1 - p0))
    return float((np.exp(corrected * r2) - corrected * r2 - 1) / abs(r2 * p0 - r1))


@pytest.mark.parametrize("h", [3.0, 4.0, 5.0])
def test_the_exact_chain_agrees_with_the_published_approximation(h: float) -> None:
    """A share of 1 % against 2.5 %, where the reference value is 1 / 61.06."""
    m = 61
    # the chain signals beyond h, the published chart at h
    exact = bernoulli_arl(0.01, m, h - 1 / m, 0.01)
    assert exact == pytest.approx(corrected_diffusion_arl(0.01, 0.025, h), rel=0.03)


@pytest.mark.parametrize("m", [20, 50, 100])
@pytest.mark.parametrize("wanted", [1000.0, 10_000.0, 100_000.0])
def test_limits_hold_for_single_trials(m: int, wanted: float) -> None:
    """One place a day: the limit of counts gives the run length of the exact chain of trials.

    For shorter runs two limits lie between one alarming item and two, and the table is rough there.
    """
    p = np.log(RATIO) / m / (RATIO - 1.0)  # so that the reference value is 1 / m
    h = float(binomial_cusum_limit(p, wanted)) / np.log(RATIO)
    exact = bernoulli_arl(p, m, h, p)
    # trials vary a little less than the counts of the table: longer runs, never much shorter
    assert 0.9 < exact / wanted < 1.6
    # and a doubled chance is found in far fewer
    assert bernoulli_arl(p, m, h, 2 * p) < 0.5 * exact
