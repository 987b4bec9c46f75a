"""The table of verdicts: each combination of conditions with the verdict that a lead expects."""

from itertools import product

import pytest

from arcdrift.analysis.advice.verdict_decision import ArcConditions, decide_verdict

# passed today, setting, drift open, electrodes worn: verdict
TABLE = {
    # the check of the day is due whatever else is known: it measures what the model estimates
    (False, "right", False, False): "run-check",
    (False, "right", True, False): "run-check",
    (False, "right", False, True): "run-check",
    (False, "right", True, True): "run-check",
    (False, "off", False, False): "run-check",
    (False, "off", True, False): "run-check",
    (False, "off", False, True): "run-check",
    (False, "off", True, True): "run-check",
    (False, "unknown", False, False): "run-check",
    (False, "unknown", True, False): "run-check",
    (False, "unknown", False, True): "run-check",
    (False, "unknown", True, True): "run-check",
    # every splice is made with the wrong arc until it is corrected; the rest can wait
    (True, "off", False, False): "recalibrate",
    (True, "off", True, False): "recalibrate",
    (True, "off", False, True): "recalibrate",
    (True, "off", True, True): "recalibrate",
    # nobody can say "keep working" about a setting that nobody can judge
    (True, "unknown", False, False): "cannot-tell",
    (True, "unknown", True, False): "cannot-tell",
    (True, "unknown", False, True): "cannot-tell",
    (True, "unknown", True, True): "cannot-tell",
    # a right setting does not make a drift or worn electrodes right
    (True, "right", True, False): "inspect",
    (True, "right", False, True): "inspect",
    (True, "right", True, True): "inspect",
    (True, "right", False, False): "keep-working",
}


def test_the_table_has_every_combination() -> None:
    combinations = product([False, True], ["right", "off", "unknown"], [False, True], [False, True])
    assert set(TABLE) == set(combinations)
    assert set(TABLE.values()) == {
        "run-check", "recalibrate", "inspect", "keep-working", "cannot-tell",
    }  # fmt: skip


@pytest.mark.parametrize("splices", [0, 14])
@pytest.mark.parametrize("combination", TABLE)
def test_each_combination_has_its_verdict(combination: tuple, splices: int) -> None:
    # splices made on an unchecked arc change what is told first, not what to do
    assert (
        decide_verdict(ArcConditions(*combination, unchecked_splices=splices)) == TABLE[combination]
    )
