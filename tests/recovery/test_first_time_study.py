"""Planted errors are told of their subject, and a beginner who is slow and right of nothing.

`tests.recovery.first_time_study` has more crews, patterns and twins.
"""

import numpy as np
import pytest

from tests.recovery.first_time_study import DAYS, Outcome, run

CASES = {
    "fiber-position": 1,
    "dusty-site": 1,
    "slow-beginner": 1,
}


@pytest.mark.parametrize("name", CASES)
def test_a_pattern_is_told_of_its_subject_and_of_nobody_else(name: str) -> None:
    outcome: Outcome = run(name, CASES[name], days=DAYS, step=20)
    assert outcome.subject
    assert np.isfinite(outcome.delay) == (name != "slow-beginner")
    assert outcome.hinted == ()
    assert not outcome.person
    assert outcome.people > 5
