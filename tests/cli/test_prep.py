"""`arcdrift prep`: figures with intervals and a purpose, or a sentence why there are none."""

import json


def test_prep_says_when_work_is_too_little(analyzed, arcdrift):
    done = arcdrift("prep")
    assert done.code == 0
    assert "are too few to tell hands from machines" in " ".join(done.out.split())


def test_prep_json_without_an_answer_keeps_its_shape(analyzed, arcdrift):
    told = json.loads(arcdrift("prep", "--json").out)
    assert told["technicians"] == []
    assert told["reason"].endswith("too few to tell hands from machines.")
