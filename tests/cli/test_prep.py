"""`arcdrift prep` and `coach`: figures with a purpose, or a sentence why there are none."""

import json


def test_prep_says_when_work_is_too_little(analyzed, arcdrift):
    done = arcdrift("prep")
    assert done.code == 0
    words = " ".join(done.out.split())
    assert "These figures are for coaching" in words
    assert "are too few to tell hands from machines" in words


def test_prep_json_has_every_part_even_without_an_answer(analyzed, arcdrift):
    result = json.loads(arcdrift("prep", "--json").out)
    assert result["people"] == []
    assert result["refusal"].endswith("too few to tell hands from machines.")
    assert result["purpose"].startswith("These figures are for coaching")
    assert {row["measure"] for row in result["promises"]} == {"loss", "angle", "redo"}
    for name in ("signatures", "consistency", "blades", "shared_work", "sign_offs", "coaching"):
        assert isinstance(result[name], list)
    assert result["hidden"] is None


def test_a_coaching_note_is_kept_shown_and_taken_back(analyzed, arcdrift):
    people = [
        row["technician"] for row in json.loads(arcdrift("prep", "--json").out)["shared_work"]
    ]
    technician = min(people)
    refused = arcdrift("coach", "Nobody", "--topic", "cleaving", "--by", "Lead")
    assert refused.code == 2
    assert "no technician" in refused.err
    assert arcdrift("coach", technician, "--topic", "cleaving").code == 2
    done = arcdrift(
        "coach", technician, "--topic", "cleaving", "--by", "Lead", "--note", "fiber laid flat"
    )
    assert done.code == 0
    number = int(done.out.split()[2])
    listed = " ".join(arcdrift("coach", technician).out.split())
    assert "fiber laid flat" in listed
    assert "Too few splices to say anything" in listed
    assert "the change alone does not prove the coaching" in listed
    assert json.loads(arcdrift("coach", "--json").out)[0]["technician"] == technician
    later = arcdrift("coach", technician, "--topic", "x", "--by", "y", "--day", "2099-01-01")
    assert later.code == 2
    assert "has not come yet" in later.err
    assert arcdrift("coach", "--undo", str(number)).code == 0
    assert "No coaching is on record" in arcdrift("coach").out
    assert arcdrift("coach", "--undo", str(number)).code == 2


def test_names_can_be_hidden_and_figures_about_people_kept_off(analyzed, arcdrift):
    toml = analyzed / "crew.toml"
    plain = toml.read_text(encoding="utf-8")
    names = {row["technician"] for row in json.loads(arcdrift("prep", "--json").out)["shared_work"]}
    toml.write_text(plain + "\n[prep]\npseudonyms = true\n", encoding="utf-8")
    for words in (("prep", "--json"), ("findings", "--json"), ("checks", "--by", "technician")):
        out = arcdrift(*words).out
        assert not [name for name in names if name in out], words
    assert "Technician " in arcdrift("prep", "--json").out
    toml.write_text(plain + "\n[prep]\nperson_pages = false\n", encoding="utf-8")
    result = json.loads(arcdrift("prep", "--json").out)
    assert result["shared_work"] == []
    assert "keeps figures about single people off" in result["hidden"]
    assert "keeps figures" in arcdrift("checks", "--by", "technician").out
    for command in ("checks", "coach"):
        more = ("--by", "technician") if command == "checks" else ()
        done = arcdrift(command, *more, "--json")
        assert (done.data, "keeps figures" in done.sentence) == ([], True)
