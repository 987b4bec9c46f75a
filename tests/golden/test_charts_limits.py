"""Chart constants and individuals limits against printed tables."""

from pathlib import Path

import pandas as pd
import pytest

from arcdrift.charts.limits import constants, individuals_limits

DATA = Path(__file__).parent / "data"

# NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of ten batches
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_constants_match_the_printed_table():
    # "The Handbook for Quality Management", p. 414: half a unit of the last printed digit
    half = {"c4": 5e-5, "A2": 5e-4, "A3": 5e-4, "B3": 5e-4, "B4": 5e-4, "B6": 5e-4}
    for row in pd.read_csv(DATA / "control_chart_constants_printed.csv").itertuples():
        for name, tolerance in half.items():
            printed = getattr(row, name)
            assert getattr(constants(row.n), name) == pytest.approx(
                printed, abs=1.01 * tolerance
            ), (row.n, name)


def test_constants_match_an_independent_quadrature():
    # adaptive quadrature with scipy 1.17.1, written apart from this package; seven digits
    table = pd.read_csv(DATA / "control_chart_constants.csv")
    names = [name for name in table.columns if name != "n"]
    assert len(names) == 14
    for row in table.itertuples():
        for name in names:
            expected = getattr(row, name)
            assert getattr(constants(row.n), name) == pytest.approx(expected, abs=6e-8), name


def test_constants_of_pairs_in_closed_form():
    # range of two normal values: half-normal with sd sqrt(2)
    assert constants(2).d2 == pytest.approx(2 / 3.141592653589793**0.5, abs=1e-10)
    assert constants(2).d3 == pytest.approx((2 - 4 / 3.141592653589793) ** 0.5, abs=1e-10)


def test_individuals_limits_of_the_flow_rates():
    # e-Handbook 6.3.2.2 (pmc322.htm): 50.81, MRbar 1.8778, 55.8041, 45.8159
    limits = individuals_limits(FLOW)
    assert limits.center == pytest.approx(50.81, abs=5e-5)
    assert limits.sigma * 1.128 == pytest.approx(1.8778, abs=5e-5)
    assert limits.upper == pytest.approx(55.8041, abs=5e-5)
    assert limits.lower == pytest.approx(45.8159, abs=5e-5)


def test_individuals_limits_with_unrounded_d2():
    # same data; d2 = 2 / sqrt(pi) computed by hand
    assert individuals_limits(FLOW, d2=constants(2).d2).upper == pytest.approx(55.80241, abs=5e-6)
