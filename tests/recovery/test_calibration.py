"""Probabilities given by advice against the truth, for one crew and with wide bounds.

The full study is ``python -m tests.recovery.calibration``.
"""

import pytest

from tests.recovery.calibration import crews


@pytest.mark.long
def test_probabilities_given_by_advice_come_true():
    answers = crews(1, first_seed=907)
    assert len(answers) > 800
    likely, unlikely = answers["probability"] > 0.75, answers["probability"] < 0.02
    # answers of one splicer are correlated, so that a few dozen are worth only a few
    assert unlikely.sum() > 400
    assert answers.loc[unlikely, "off"].mean() < 0.02
    assert likely.sum() > 20
    assert answers.loc[likely, "off"].mean() > 0.65
    assert answers["off"].mean() == pytest.approx(answers["probability"].mean(), abs=0.05)
