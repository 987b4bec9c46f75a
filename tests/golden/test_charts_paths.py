"""EWMA and CUSUM paths against worked examples in the open literature."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.charts.cusum import cusum
from arcdrift.charts.ewma import ewma, first_signal, opening_limits, settled_limits

DATA = Path(__file__).parent / "data"


def test_ewma_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.4 (pmc324.htm): lambda 0.3, start 50, s 2.0539, 3 sigma
    printed = (
        "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 "
        "50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"
    )
    path = ewma(pd.read_csv(DATA / "nist_ewma.csv").x, 0.3, start=50.0)
    np.testing.assert_allclose(path, [float(word) for word in printed.split()], atol=0.005)
    lower, upper = settled_limits(0.3, 3.0, center=50.0, sigma=2.0539)
    # The page rounds the square root to 0.4201.
    assert (lower, upper) == pytest.approx((47.4115, 52.5884), abs=1e-4)
    assert first_signal(path, lower, upper) is None


def test_ewma_with_opening_limits_of_montgomery():
    # Montgomery, Introduction to Statistical Quality Control, data of Table 9.1; lambda 0.1,
    # L 2.7. Signal at observation 29; limits worked out apart from this package.
    data = pd.read_csv(DATA / "montgomery_cusum_ewma.csv")
    path = ewma(data.x, 0.1, start=10.0)
    lower, upper = opening_limits(0.1, 2.7, len(data), center=10.0, sigma=1.0)
    np.testing.assert_allclose(path, data["ewma_0.1"], atol=6e-7)
    np.testing.assert_allclose(upper, data["ucl_2.7"], atol=6e-7)
    np.testing.assert_allclose(lower, data["lcl_2.7"], atol=6e-7)
    assert first_signal(path, lower, upper) == 29 - 1


def test_cusum_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.3 (pmc323.htm): target 325, k 0.3175, h 4.1959
    data = pd.read_csv(DATA / "nist_cusum.csv")
    result = cusum(data.x, 0.3175, 4.1959, target=325.0)
    # Two printed sums end in an exact 5 and may be rounded either way.
    high = [3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    np.testing.assert_allclose(result.upper[12:], high, atol=0.0051)
    low = {2: 0.01, 4: 0.33, 7: 0.56, 8: 0.72, 9: 0.17, 10: 0.25, 11: 0.31}
    for group, expected in low.items():
        assert result.lower[group - 1] == pytest.approx(expected, abs=0.0051)
    assert result.signal is not None
    assert (result.signal.side, result.signal.index) == ("upper", 14 - 1)


def test_cusum_of_montgomery():
    # Montgomery, Table 9.2: signal at 29, N+ 7, so shift after 22; new mean 10.5 + 5.28 / 7
    data = pd.read_csv(DATA / "montgomery_cusum_ewma.csv")
    result = cusum(data.x, 0.5, 5.0, target=10.0)
    np.testing.assert_allclose(result.upper, data.C_plus, atol=1e-9)
    np.testing.assert_allclose(result.lower, data.C_minus, atol=1e-9)
    np.testing.assert_array_equal(result.n_upper, data.N_plus)
    np.testing.assert_array_equal(result.n_lower, data.N_minus)
    assert result.signal is not None
    assert (result.signal.side, result.signal.index) == ("upper", 29 - 1)
    assert result.signal.onset == 22  # counted from 0: the 23rd is the first after the shift
    assert result.signal.new_mean == pytest.approx(11.25, abs=0.005)


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
    path = ewma(data.y, 0.2, start=old.mean())
    new = data.date.to_numpy() >= 85.0
    signal = first_signal(path[new], lower, upper)
    assert data.date.to_numpy()[new][signal] == 86.513
