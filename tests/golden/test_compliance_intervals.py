"""Score intervals of a share against a published table and two reference libraries."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from arcdrift.analysis.checks.compliance import compliance, wilson

DATA = Path(__file__).parent / "data"

# Newcombe 1998, "Two-sided confidence intervals for the single proportion: comparison of seven
# methods", Statistics in Medicine 17, 857-872, Table I, method 3 (score); four printed digits
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("kept", "days", "low", "high"), NEWCOMBE)
def test_intervals_match_the_published_table(kept, days, low, high):
    assert wilson(kept, days) == (
        pytest.approx(low, abs=5e-5),
        pytest.approx(high, abs=5e-5),
    )


@pytest.mark.parametrize(("kept", "worked", "low", "high"), NEWCOMBE)
def test_a_compliance_table_carries_the_published_interval(kept, worked, low, high):
    days = pd.DataFrame(
        {
            "splicer": "Heron",
            "status": ["checked"] * kept + ["missed"] * (worked - kept),
            "day_over": True,
        }
    )
    (row,) = compliance(days)
    assert (row["checked"], row["days"]) == (kept, worked)
    assert (row["low"], row["high"]) == (
        pytest.approx(low, abs=5e-5),
        pytest.approx(high, abs=5e-5),
    )


def test_intervals_match_a_table_of_eight_digits():
    # statsmodels 0.15.0, proportion_confint(method="wilson"), written apart from this package
    table = pd.read_csv(DATA / "wilson.csv")
    assert len(table) == 13
    low, high = zip(*map(wilson, table["x"], table["n"]), strict=True)
    np.testing.assert_allclose(low, table["wilson_lo"], atol=6e-9)
    np.testing.assert_allclose(high, table["wilson_hi"], atol=6e-9)


def test_every_share_up_to_sixty_days_agrees_with_both_libraries():
    kept, days = np.array([(x, n) for n in range(1, 61) for x in range(n + 1)]).T
    low, high = zip(*map(wilson, kept, days), strict=True)
    np.testing.assert_allclose(
        (low, high), proportion_confint(kept, days, method="wilson"), atol=1e-12
    )
    some = range(0, len(kept), 97)
    for i in some:
        scipy = binomtest(int(kept[i]), int(days[i])).proportion_ci(method="wilson")
        assert (low[i], high[i]) == pytest.approx((scipy.low, scipy.high), abs=1e-12)


def test_no_days_no_interval():
    assert np.isnan(wilson(0, 0)).all()
    assert wilson(1, 1)[1] == pytest.approx(1.0, abs=1e-12)
