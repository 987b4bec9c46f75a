"""Limits of agreement against Bland and Altman (1986).

Peak flow of 17 people by two meters, first readings: Bland JM, Altman DG (1986), Lancet i,
307-310; the data as kept in the R package qwraps2. The paper prints figures from rounded steps.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.loss.agreement import agreement

DATA = Path(__file__).parent / "data" / "bland_altman_1986_pefr.csv"


def test_bias_and_limits_of_two_meters() -> None:
    readings = pd.read_csv(DATA)
    told = agreement(readings["wright1"] - readings["mini1"])
    # exact, computed in R
    assert told.bias == pytest.approx(-2.117647, abs=1e-6)
    assert told.sd == pytest.approx(38.76513, abs=1e-5)
    assert (told.lower, told.upper) == pytest.approx((-78.09730, 73.86201), abs=1e-5)
    assert (told.low, told.high) == pytest.approx((-22.04884, 17.81354), abs=1e-5)
    # the paper's limits are two standard deviations from the bias
    two = told.bias + 2 * told.sd * np.array([-1, 1])
    for limit, printed in zip(two, ((-114.3, -45.1), (40.9, 110.1)), strict=True):
        ends = (limit - told.limit_error, limit + told.limit_error)
        assert ends == pytest.approx(printed, abs=0.2)
    assert (told.bias, told.sd) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert (told.low, told.high) == pytest.approx((-22.0, 17.8), abs=0.05)
