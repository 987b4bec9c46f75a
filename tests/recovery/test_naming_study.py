"""The subject of a planted rise is found and named first, and nobody for what others did.

The full study is ``python -m tests.recovery.naming_study``. Its goals are the bounds here: a
splicer's rise of 1.7 found within ten workdays in 95 % of crews whatever the service calendar, the
right subject first in 90 %, a person named wrongly in at most 1 %.
"""

import pytest

from tests.recovery.naming_study import Outcome, study_rise
from tests.recovery.planted_rises import Plan


def outcomes(plans: list[Plan]) -> list[Outcome]:
    """Outcomes of plans ten workdays after each rise."""
    return [outcome for plan in plans for outcome in study_rise(plan, (10,))]


@pytest.mark.long  # the rise of the sample is found and named in test_sample_crew.py
@pytest.mark.parametrize(
    "plan",
    [
        Plan("splicer", 1.7, 10, 0.05, 302),
        Plan("technician", 1.7, 4, 0.10, 303),
    ],
    ids=["splicer", "technician"],
)
def test_the_subject_of_a_rise_is_named_first(plan: Plan) -> None:
    # a crew shows that it works; how often, the forty crews of the next test
    (outcome,) = outcomes([plan])
    assert outcome.found
    assert outcome.first
    assert outcome.person == ""
    # the size that is told is not that of the capped losses, which is 1.54
    assert outcome.ratio is None or outcome.ratio == pytest.approx(1.7, abs=0.35)


@pytest.mark.long
def test_a_splicer_is_named_whatever_its_service_calendar() -> None:
    # forty crews: at the rates of the goals the bounds fail in 1.4, 1.5 and 0.7 % of such tests
    told = outcomes(
        [
            Plan("splicer", 1.7, (0, 4, 10, 20, 40)[number % 5], 0.05 * (number % 2), 401 + number)
            for number in range(40)
        ]
    )
    assert len(told) == 40
    assert sum(outcome.found for outcome in told) >= 35
    assert sum(outcome.first for outcome in told) >= 32
    assert sum(outcome.person != "" for outcome in told) <= 2
