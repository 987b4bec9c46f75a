"""Run rules: agreement with plain counting on simulated points, and refusals."""

import math

import numpy as np
import pytest
from scipy.stats import norm

from arcdrift.charts.limits import shewhart_widening
from arcdrift.charts.run_rules import shewhart_arl
from arcdrift.errors import BadInput


@pytest.mark.parametrize(("rules", "shift"), [("1234", 0.0), ("23", -0.7), ("4", 0.4)])
def test_the_average_is_that_of_simulated_charts(rules, shift):
    z = np.random.default_rng(31).standard_normal((1500, 1500)) + shift
    lines = {"1": (1, 1, 3.0), "2": (2, 3, 2.0), "3": (4, 5, 1.0), "4": (8, 8, 0.0)}
    alarm = np.zeros(z.shape, dtype=bool)
    for count, among, line in (lines[rule] for rule in rules):
        for side in (1, -1):
            beyond = np.cumsum(side * z > line, axis=1, dtype=np.int16)
            beyond[:, among:] -= beyond[:, :-among].copy()
            alarm |= beyond >= count
    assert alarm.any(axis=1).all()
    runs = alarm.argmax(axis=1) + 1
    error = runs.std() / math.sqrt(len(runs))
    assert abs(runs.mean() - shewhart_arl(shift, rules=rules)) < 4 * error


def test_both_directions_are_alike():
    for rules in ("12", "134", "1234"):
        assert shewhart_arl(0.8, rules=rules) == pytest.approx(shewhart_arl(-0.8, rules=rules))


def test_the_order_of_the_rules_does_not_matter():
    assert shewhart_arl(0.3, rules="321") == pytest.approx(shewhart_arl(0.3, rules="123"))


def test_lines_without_reach_never_alarm():
    assert shewhart_arl(rules="12", widen=10.0) == math.inf
    # few alarms on the far side of a large shift keep their digits
    assert shewhart_arl(5.0) == pytest.approx(1.0 / (norm.sf(-2.0) + norm.cdf(-8.0)))


@pytest.mark.parametrize("rules", ["1", "123", "1234"])
def test_the_widening_gives_back_its_run_length(rules):
    widen = shewhart_widening(200.0, rules=rules)
    assert shewhart_arl(rules=rules, widen=widen) == pytest.approx(200.0, rel=1e-6)


def test_what_cannot_be_is_refused_in_words():
    with pytest.raises(BadInput, match=r"numbers 1 to 4, such as '124'; not '15'"):
        shewhart_arl(rules="15")
    with pytest.raises(BadInput, match="numbers 1 to 4"):
        shewhart_arl(rules="")
    with pytest.raises(BadInput, match="factor above 0, not -1"):
        shewhart_arl(widen=-1.0)
    with pytest.raises(BadInput, match=r"once in 255 points .* so not once in 370"):
        shewhart_widening(370.0, rules="14")
