"""Run rules against the published table and an independent Markov chain."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.charts.limits import shewhart_widening
from arcdrift.charts.run_rules import shewhart_arl

DATA = Path(__file__).parent / "data"

# Champ and Woodall 1987, Technometrics 29, 393-399, Table 1, as quoted in the manual of the
# R package spc (xshewhartrunsrules.arl): shift, then rules 1, 12, 13, 14.
CHAMP_WOODALL = """
0.0 370.40 225.44 166.05 152.73
0.2 308.43 177.56 120.70 110.52
0.4 200.08 104.46  63.88  59.76
0.6 119.67  57.92  33.99  33.64
0.8  71.55  33.12  19.78  21.07
1.0  43.89  20.01  12.66  14.58
1.2  27.82  12.81   8.84  10.90
1.4  18.25   8.69   6.62   8.60
1.6  12.38   6.21   5.24   7.03
1.8   8.69   4.66   4.33   5.85
2.0   6.30   3.65   3.68   4.89
2.2   4.72   2.96   3.18   4.08
2.4   3.65   2.48   2.78   3.38
2.6   2.90   2.13   2.43   2.81
2.8   2.38   1.87   2.14   2.35
3.0   2.00   1.68   1.89   1.99
"""


def test_run_rules_match_champ_and_woodall():
    for shift, *printed in np.fromstring(CHAMP_WOODALL, sep=" ").reshape(-1, 5):
        ours = [shewhart_arl(shift, rules=rules) for rules in ("1", "12", "13", "14")]
        # half a unit of the last printed digit; one figure is printed 119.67 for 119.665
        np.testing.assert_allclose(ours, printed, atol=0.0051)


def test_run_rules_match_an_independent_chain():
    # exact Markov chain over the last seven zones, written apart from this package; six digits
    table = pd.read_csv(DATA / "we_rules_arl.csv").set_index("shift")
    assert table.shape == (16, 8)
    for shift, row in table.iterrows():
        ours = [shewhart_arl(shift, rules=name[1:]) for name in table.columns]
        np.testing.assert_allclose(ours, row, atol=1e-6)


def test_the_longest_run_with_eight_in_a_row():
    # 255 = (2^8 - 1), the mean wait for eight like tosses of a fair coin, less the first toss
    # that is always alike: (1 - p^7) / ((1 - p) p^7) + 1 with p = 1/2 is 2^8 - 1 (Feller 1968,
    # An Introduction to Probability Theory I, section XIII.7). The manual of spc says 255 too.
    assert shewhart_arl(rules="14", widen=5.0) == pytest.approx(255.0, rel=2e-3)
    assert shewhart_arl(rules="4") == pytest.approx(255.0, rel=1e-9)


def test_widened_lines_of_plain_limits():
    # 250 values between false alarms: the two-sided normal quantile at 1 / 250
    assert 3.0 * shewhart_widening(250.0, rules="1") == pytest.approx(2.8782, abs=5e-5)
