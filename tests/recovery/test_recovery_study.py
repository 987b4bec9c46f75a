"""Simulated actions of known effect: a fault that stays is not called cured."""

from collections import Counter

import pytest

from tests.recovery.planted_rises import Plan
from tests.recovery.recovery_study import KINDS, study_action


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS)
def test_what_is_told_of_an_action(kind: str) -> None:
    told = {end: Counter[str]() for end in ("ends", "stays")}
    for seed in range(40_200, 40_206):
        for end, counts in told.items():
            for answer in study_action(Plan(kind, 1.5, 12, 0.05, seed), end):
                counts[answer.verdict] += answer.workdays >= 10
    # of 16 crews, ten workdays and more after the action: 96 of 96 answers saw no clear change
    # where the rise stayed, and 94 of 99 said cured where it ended
    assert told["stays"]["cured"] == 0
    assert told["stays"]["better"] <= 0.1 * sum(told["stays"].values())
    assert told["ends"]["cured"] > 2 * told["ends"]["better"]
    assert told["ends"]["worse"] == 0
