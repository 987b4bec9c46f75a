"""Error rates of figures about people, for one careless and one healthy crew.

The full study is ``python -m tests.recovery.prep_study``.
"""

import numpy as np
import pytest

from tests.recovery.prep_study import careless_outcome, crew, review_people, true_effects

SMALL = {"people": 9, "days": 60}


@pytest.mark.long  # the sample has a careless person, and test_prep_effects a bad splicer
def test_the_careless_are_found_and_whoever_has_the_worst_splicer_is_not_blamed():
    outcome = careless_outcome(3, careless=2, **SMALL)
    assert outcome["in_top_five"] == outcome["careless"] == outcome["labeled"] == 2
    assert outcome["holders_labeled"] == 0
    assert outcome["labeled_wrongly"] == 0


def test_a_healthy_crew_has_no_false_findings_and_intervals_hold_the_truth():
    reviewed = review_people(crew(501, careless=0, **SMALL))
    kinds = [finding.kind for finding in reviewed.findings]
    assert not {"cleave-run", "cleave-uneven", "prep-inconsistent"} & set(kinds)
    angle = true_effects(reviewed.made, "angle")
    for finding in reviewed.findings:
        if finding.kind == "cleave-raised":
            assert finding.subject_type == "technician"
            assert angle[finding.subject_id] > 0.08
    inside = []
    for measure in ("loss", "angle"):
        table = reviewed.people(measure).set_index("name")
        truth = true_effects(reviewed.made, measure).reindex(table.index)
        inside += list((table["low"] <= truth) & (truth <= table["high"]))
    # 22 intervals at .95: fewer than 17 inside would happen once in a thousand crews
    assert np.sum(inside) >= 17
