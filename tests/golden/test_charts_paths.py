"""EWMA paths against worked examples in the open literature."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.charts.ewma import settled_limits
from tests.charts.ewma_runs import plain_path, run_ewma

DATA = Path(__file__).parent / "data"


def test_ewma_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.4 (pmc324.htm): lambda 0.3, start 50, s 2.0539, 3 sigma
    printed = (
        "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 "
        "50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"
    )
    path = plain_path(pd.read_csv(DATA / "nist_ewma.csv").x, 0.3, start=50.0)
    np.testing.assert_allclose(path, [float(word) for word in printed.split()], atol=0.005)
    lower, upper = settled_limits(0.3, 3.0, center=50.0, sigma=2.0539)
    # The page rounds the square root to 0.4201.
    assert (lower, upper) == pytest.approx((47.4115, 52.5884), abs=1e-4)
    assert not ((path < lower) | (path > upper)).any()


def test_ewma_path_of_montgomery():
    # Montgomery, Introduction to Statistical Quality Control, data of Table 9.1; lambda 0.1.
    # Path worked out apart from this package.
    data = pd.read_csv(DATA / "montgomery_cusum_ewma.csv")
    path = plain_path(data.x, 0.1, start=10.0)
    np.testing.assert_allclose(path, data["ewma_0.1"], atol=6e-7)
    # The signal at observation 29 is the first with L 2.7.
    signal = run_ewma(data.x - 10.0, 0.1, 2.7, sided="two").signal
    assert np.flatnonzero(signal)[0] == 29 - 1


def test_check_standard_of_the_handbook():
    # NIST/SEMATECH e-Handbook 2.3.5.2 (mpc352.htm), kilogram check standard: the values before
    # 1985 set the limits, EWMA 0.2 with 3 sigma. Figures worked out apart from this package.
    data = pd.read_csv(DATA / "nist_mass_check_standard.csv")
    assert len(data) == 217
    old = data[data.date < 85.0].y
    assert len(old) == 99
    assert old.mean() == pytest.approx(-19.4785099, abs=1e-7)
    assert old.std() == pytest.approx(0.03065227, abs=1e-8)
    lower, upper = settled_limits(0.2, 3.0, center=old.mean(), sigma=old.std())
    assert (lower, upper) == pytest.approx((-19.50916, -19.44786), abs=5e-6)
    path = plain_path(data.y, 0.2, start=old.mean())
    new = data.date.to_numpy() >= 85.0
    outside = (path < lower) | (path > upper)
    assert data.date.to_numpy()[new & outside][0] == 86.513
