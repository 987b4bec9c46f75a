"""One module decides who may see whom; everything shown passes through it."""

import pandas as pd

from arcdrift.people import People, Viewer
from arcdrift.settings import Crew

OPEN = Crew(name="invented")
CLOSED = Crew.model_validate({"name": "invented", "prep": {"person_pages": False}})
MASKED = Crew.model_validate({"name": "invented", "prep": {"pseudonyms": True}})
ROWS = pd.DataFrame({"technician": ["Alder", "Birch", None], "splices": [1, 2, 3]})
FINDING = {
    "subject": {"type": "technician", "id": "Alder"},
    "summary": "Alder: angles are high; Alderson is not Alder.",
    "next_step": "Ask Birch.",
    "likely_causes": [{"cause": "Birch took over", "why": "since May", "weight": 1.0}],
    "evidence": {"splices": 12, "who": "Alder"},
}


def test_the_lead_sees_everybody_and_a_technician_only_themselves():
    assert People(OPEN).figures(ROWS)["technician"].tolist() == ["Alder", "Birch"]
    own = People(OPEN, Viewer("technician", "Birch"))
    assert own.figures(ROWS)["technician"].tolist() == ["Birch"]
    assert own.finding(FINDING, []) is None
    assert own.named("Alder", ["Alder", "Birch"]) is None
    assert People(OPEN, Viewer("trainer")).may_see("Alder")


def test_figures_about_people_can_be_kept_off_screens():
    people = People(CLOSED)
    assert people.figures(ROWS).empty
    assert people.finding(FINDING, []) is None
    splicer = FINDING | {"subject": {"type": "splicer", "id": "Heron"}}
    assert people.finding(splicer, []) == splicer
    also = ["Alder, whichever splicer: loss, since May", "Heron, all programs: loss"]
    named = splicer | {"evidence": {"ratio": 1.2, "also_seen": also}}
    shown_finding = people.finding(named, ["Alder", "Birch"])
    assert shown_finding["evidence"] == {"ratio": 1.2, "also_seen": also[1:]}
    assert "Birch" not in str(shown_finding["likely_causes"])
    assert shown_finding["likely_causes"][0]["weight"] == 1.0
    # a record is not a figure about a person: it stays, without the name
    records = people.renamed(ROWS)
    assert records["splices"].tolist() == [1, 2, 3]
    assert records["technician"].isna().all()
    named = splicer | {"summary": "Alder: high.", "evidence": {"who": "Alder", "by": {"Birch": 3}}}
    shown_finding = people.finding(named, ["Alder", "Birch"])
    assert shown_finding["summary"] == "one person: high."
    assert shown_finding["next_step"] == "Ask one person."
    assert shown_finding["evidence"] == {}


def test_rows_about_several_kinds_of_subject_keep_all_but_hidden_people():
    rows = pd.DataFrame(
        {"subject_type": ["splicer", "technician", "technician"],
         "subject_id": ["Alder", "Alder", "Birch"], "day": [1, 2, 3]}
    )  # fmt: skip
    assert People(OPEN).subjects(rows)["day"].tolist() == [1, 2, 3]
    assert People(CLOSED).subjects(rows)["day"].tolist() == [1]
    assert People(OPEN, Viewer("technician", "Birch")).subjects(rows)["day"].tolist() == [1, 3]
    masked = People(MASKED)
    names = ["Alder", masked.shown("Alder"), masked.shown("Birch")]
    assert masked.subjects(rows)["subject_id"].tolist() == names
    assert masked.subjects(rows.iloc[:0]).empty


def test_pseudonyms_hide_names_everywhere_and_stay_the_same():
    people = People(MASKED)
    shown = people.shown("Alder")
    assert shown.startswith("Technician ")
    assert shown != people.shown("Birch")
    assert shown == People(MASKED).shown("Alder")
    assert shown != People(MASKED.model_copy(update={"name": "another"})).shown("Alder")
    assert people.figures(ROWS)["technician"].tolist() == [shown, people.shown("Birch")]
    assert people.named(shown, ["Birch", "Alder"]) == "Alder"
    shown_finding = people.finding(FINDING, ["Alder", "Birch"])
    assert shown_finding["subject"]["id"] == shown
    assert "Birch" not in str(shown_finding)
    assert shown_finding["summary"] == f"{shown}: angles are high; Alderson is not {shown}."
    assert shown_finding["evidence"]["who"] == shown
    assert FINDING["subject"]["id"] == "Alder"
