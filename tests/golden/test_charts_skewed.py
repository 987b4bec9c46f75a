"""EWMA charts of gamma and t values against tables.

Tables `ewma_gamma_arl.csv` and `ewma_t_arl.csv`: Markov chain of 1601 states with Richardson's
extrapolation, written apart from this package, stable to 0.02.
"""

import math
from pathlib import Path

import pandas as pd
import pytest

from arcdrift.charts.limits import ewma_limit_of
from arcdrift.charts.run_length import ewma_arl
from arcdrift.charts.skewed_run_length import Gamma, StudentT, ewma_arl_of

DATA = Path(__file__).parent / "data"


@pytest.mark.parametrize(("table", "noise"), [("gamma", Gamma), ("t", StudentT)])
def test_skewed_and_heavy_tailed_values_match_an_independent_chain(table, noise):
    rows = pd.read_csv(DATA / f"ewma_{table}_arl.csv").to_dict("records")
    for row in rows:
        lam, limit = row.pop("lambda"), row.pop("L")
        if "normal" in row:
            assert ewma_arl(lam, limit) == pytest.approx(row.pop("normal"), abs=0.02)
        for name, expected in row.items():
            value = noise(float(name.split("_")[1]))
            ours = ewma_arl_of(value, lam, limit)
            assert ours == pytest.approx(expected, abs=0.02), (lam, name)


@pytest.mark.parametrize(
    ("lam", "limit", "shape", "printed"),
    [
        (0.05, 2.492, 4.0, 372),
        (0.05, 2.492, 1.0, 369),
        (0.05, 2.492, 0.5, 357),
        (0.1, 2.703, 4.0, 341),
        (0.1, 2.703, 1.0, 274),
        (0.1, 2.703, 0.5, 229),
        (1.0, 3.0, 4.0, 97),
        (1.0, 3.0, 0.5, 45),
    ],
)
def test_gamma_values_as_borror_printed_them(lam, limit, shape, printed):
    # Borror, Montgomery and Runger 1999, Journal of Quality Technology 31, 309-316; printed
    # figures from memory
    assert ewma_arl_of(Gamma(shape), lam, limit) == pytest.approx(printed, rel=0.02)


def test_single_exponential_values_in_closed_form():
    # P(X - 1 > L) = exp(-1 - L)
    assert ewma_arl_of(Gamma(1.0), 1.0, 3.0, sided="one") == pytest.approx(math.exp(4.0))
    assert ewma_limit_of(Gamma(1.0), 1.0, 370.4, sided="one") == pytest.approx(
        math.log(370.4) - 1.0
    )
