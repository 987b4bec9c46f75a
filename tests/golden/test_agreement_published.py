"""Limits of agreement against Bland and Altman (1986).

Peak flow of 17 people by two meters, first readings: Bland JM, Altman DG (1986), Lancet i,
307-310; the data as kept in the R package qwraps2. The paper prints figures from rounded steps.
"""

from pathlib import Path

import pandas as pd
import pytest

from arcdrift.analysis.loss.acceptance.agreement import agreement

DATA = Path(__file__).parent / "data" / "bland_altman_1986_pefr.csv"


def test_bias_and_limits_of_two_meters() -> None:
    readings = pd.read_csv(DATA)
    result = agreement(readings["wright1"] - readings["mini1"])
    # exact, computed in R
    assert result.bias == pytest.approx(-2.117647, abs=1e-6)
    assert result.sd == pytest.approx(38.76513, abs=1e-5)
    assert (result.lower, result.upper) == pytest.approx((-78.09730, 73.86201), abs=1e-5)
    assert (result.low, result.high) == pytest.approx((-22.04884, 17.81354), abs=1e-5)
    assert (result.bias, result.sd) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert (result.low, result.high) == pytest.approx((-22.0, 17.8), abs=0.05)
