"""Tails of the fitted gamma against published and tabled ones."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import gamma

from arcdrift.charts.gamma_limit import gamma_limits, histogram_bins

DATA = Path(__file__).parent / "data"
SCALE = 0.02


def expected_counts(shape: float) -> np.ndarray:
    """A million values of a gamma as its own distribution function spreads them over 0.01 steps."""
    edges = np.r_[0.0, (np.arange(1, histogram_bins()) - 0.5) * 0.01, np.inf]
    return 1e6 * np.diff(gamma.cdf(edges, shape, scale=SCALE))


@pytest.mark.parametrize("shape", [0.5, 1.0, 2.0, 3.0, 4.0, 5.0])
def test_three_sigma_is_as_rare_as_the_gamma_table_says(shape):
    """Single gamma values with limits at 3 standard deviations: `ewma_gamma_arl.csv`, row lambda 1
    (Markov chain, written apart from this package). Borror, Montgomery and Runger 1999, Journal
    of Quality Technology 31, 309-316, print 97 for shape 4 and 45 for shape 0.5 (from memory)."""
    table = pd.read_csv(DATA / "ewma_gamma_arl.csv").set_index("lambda")
    apart = float(table.loc[1.0, f"gamma_{shape:g}"])
    fit = gamma_limits(expected_counts(shape), tail=1.0 / apart)
    assert fit.limit[0] == pytest.approx(SCALE * (shape + 3.0 * np.sqrt(shape)), rel=2e-3)
    assert fit.shape[0] == pytest.approx(shape, rel=5e-3)


def test_the_exponential_has_its_exact_upper_limit():
    """Shape 1 at 0.00135: 6.60765070 times the mean (-log 0.00135), beside Nelson 1994, Journal
    of Quality Technology 26, 239-243, whose power transform puts it at 7.2716."""
    fit = gamma_limits(expected_counts(1.0), tail=0.00135)
    assert fit.limit[0] / SCALE == pytest.approx(6.60765070, rel=1e-3)
