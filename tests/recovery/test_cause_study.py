"""The right cause is ranked first for one planted fault that shows in the cleave angles.

Faster tests rank causes of the sample's faults, in ``test_sample_crew.py``, and of patterns of
losses and angles, in ``tests/analysis/causes/test_likely_causes.py``. The full study is
``python -m tests.recovery.cause_study``.
"""

import pytest

from tests.recovery.cause_study import try_fault


@pytest.mark.long
def test_the_first_cause_is_the_planted_one() -> None:
    outcomes = try_fault("bent holder", 3, splicers=4, days=76)
    assert outcomes
    assert all(outcome.result == "first" for outcome in outcomes)
    assert all(outcome.weight > 0.5 for outcome in outcomes)
    assert all(outcome.inside for outcome in outcomes)
