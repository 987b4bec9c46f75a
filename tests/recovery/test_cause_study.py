"""The study of causes in its shortest form: one fault whose cause the angles tell.

The long form is ``python -m tests.recovery.cause_study``; patterns of losses alone are planted,
faster, in ``tests/analysis/test_causes.py``.
"""

from tests.recovery.cause_study import try_fault


def test_the_first_cause_is_the_planted_one() -> None:
    told = try_fault("bent holder", 3, splicers=4, days=76)
    assert told
    assert all(one.result == "first" for one in told)
    assert all(one.weight > 0.5 for one in told)
    assert all(one.inside for one in told)
