"""The study of figures about people in a short form: one careless crew, one healthy one.

The long form, ``python -m tests.recovery.prep_study``, is what is quoted.
"""

import numpy as np

from tests.recovery.prep_study import careless_outcome, crew, look, true_effects

SMALL = {"people": 9, "days": 60}


def test_the_careless_are_found_and_whoever_has_the_worst_splicer_is_not_blamed():
    told = careless_outcome(3, careless=2, **SMALL)
    assert told["in_top_five"] == told["careless"] == told["labeled"] == 2
    assert told["holders_labeled"] == 0
    assert told["labeled_wrongly"] == 0


def test_a_healthy_crew_has_no_false_findings_and_intervals_hold_the_truth():
    seen = look(crew(501, careless=0, **SMALL))
    kinds = [one.kind for one in seen.findings]
    assert not {"cleave-run", "cleave-uneven", "prep-inconsistent"} & set(kinds)
    angle = true_effects(seen.made, "angle")
    for one in seen.findings:
        if one.kind == "cleave-raised":
            assert one.subject_type == "technician"
            assert angle[one.subject_id] > 0.08
    inside = []
    for measure in ("loss", "angle"):
        table = seen.people(measure).set_index("name")
        truth = true_effects(seen.made, measure).reindex(table.index)
        inside += list((table["low"] <= truth) & (truth <= table["high"]))
    # 22 intervals at .95: fewer than 17 inside would happen once in a thousand crews
    assert np.sum(inside) >= 17
