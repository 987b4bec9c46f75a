"""Chances that advice tells, beside the truth, in a short form with wide bounds.

The long form is ``python -m tests.recovery.calibration``.
"""

import pytest

from tests.recovery.calibration import crews

pytestmark = pytest.mark.xdist_group("calibration")


def test_chances_told_come_true():
    told = crews(1, first_seed=907)
    assert len(told) > 800
    surely, hardly = told["probability"] > 0.75, told["probability"] < 0.02
    # answers of one splicer come in runs, so that a few dozen count as a handful
    assert hardly.sum() > 400
    assert told.loc[hardly, "off"].mean() < 0.02
    assert surely.sum() > 20
    assert told.loc[surely, "off"].mean() > 0.65
    assert told["off"].mean() == pytest.approx(told["probability"].mean(), abs=0.05)
