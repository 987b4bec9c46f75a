"""Planted errors are told of their subject, and a beginner who is slow and right of nothing.

`tests.recovery.first_time_study` has more crews, patterns and twins.
"""

import numpy as np
import pytest

from tests.recovery.first_time_study import Outcome, run


def told_of(name: str) -> Outcome:
    """What is told of a crew; nothing of it may be about somebody else."""
    outcome = run(name, seed=1, step=20)
    assert outcome.people > 5
    assert outcome.hinted == ()
    assert not outcome.person
    assert not outcome.charted_person
    return outcome


def test_errors_of_one_splicer_are_told_of_it() -> None:
    outcome = told_of("fiber-position")
    assert np.isfinite(outcome.delay)
    assert any(f"splicer {outcome.subject}" in about for about in outcome.charted)
    assert all(outcome.subject in about for about in outcome.charted)


@pytest.mark.long
def test_dust_is_told_of_its_site() -> None:
    assert np.isfinite(told_of("dusty-site").delay)


@pytest.mark.long
def test_a_slow_beginner_is_no_pattern() -> None:
    outcome = told_of("slow-beginner")
    assert outcome.hasty == ()
    assert outcome.charted == ()
