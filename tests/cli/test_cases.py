"""``arcdrift cases`` and ``arcdrift case``: listed, taken on, done, closed, opened again."""

import sqlite3
from pathlib import Path
from typing import Any

import pytest

FAILED = "Kestrel: 2 splices after a failed check, 6 May"


@pytest.fixture
def case_id(analyzed: Path, arcdrift: Any) -> str:
    """The case of Kestrel's failed check, which no later check has ended."""
    (case,) = (c for c in arcdrift("cases", "--json").data if c["cause"] == "failed-check")
    assert case["title"] == FAILED
    return str(case["id"])


def test_cases_are_listed_with_their_state_and_next_command(case_id: str, arcdrift: Any) -> None:
    done = arcdrift("cases")
    assert done.code == 0
    assert FAILED in done.out
    assert case_id[:6] in done.out
    assert "2 open cases, 0 closed" in " ".join(done.out.split())
    assert f"`arcdrift case show {case_id[:6]}`" in done.out
    for state, count in (("open", 2), ("new", 2), ("taken-on", 0), ("waiting", 0), ("closed", 0)):
        assert len(arcdrift("cases", "--state", state, "--json").data) == count
    assert arcdrift("cases", "--state", "lost").code == 2
    assert len(arcdrift("cases", "--since", "2026-05-01", "--json").data) == 2
    assert arcdrift("cases", "--since", "2026-05-07", "--json").data == []
    arcdrift("case", "take", case_id, "--by", "Ash")  # said later than all evidence
    assert len(arcdrift("cases", "--since", "2026-05-07", "--json").data) == 1


def test_every_finding_belongs_to_a_case(case_id: str, arcdrift: Any) -> None:
    findings = arcdrift("findings", "--json").data
    cases = {case["id"]: case for case in arcdrift("cases", "--all", "--json").data}
    for finding in findings:
        assert finding["id"] in cases[finding["case_id"]]["findings"]
    assert sum(len(case["findings"]) for case in cases.values()) == len(findings)
    # one missed check is no case for anybody
    assert len(arcdrift("cases", "--json").data) < len(cases)


def test_the_shape_scripts_may_rely_on(case_id: str, arcdrift: Any) -> None:
    case = arcdrift("cases", "--json").data[0]
    assert set(case) == {
        "id", "absorbed", "title", "subject", "cause", "cause_text", "severity", "told",
        "measured", "since", "since_earliest", "since_latest", "seen", "until", "rate", "findings",
        "state", "owner", "actions", "result", "result_text", "closed", "history", "days_open",
        "next_step", "version",
    }  # fmt: skip
    assert arcdrift("case", "show", case["id"], "--json").data == case


def test_a_case_is_taken_on_done_closed_and_opened_again(case_id: str, arcdrift: Any) -> None:
    short = case_id[:3].upper()
    taken = arcdrift("case", "take", short, "--by", "Ash", "--why", "mine", "--json").data
    assert (taken["state"], taken["owner"], taken["version"]) == ("taken-on", "Ash", 1)
    done = arcdrift("case", "done", short, "--by", "Birch", "--json").data
    assert (done["state"], done["actions"][0]["by"]) == ("waiting", "Birch")
    closed = arcdrift("case", "close", short, "--by", "Ash", "--why", "known", "--json").data
    assert (closed["state"], closed["closed"]["how"]) == ("closed", "accepted")
    refused = arcdrift("case", "take", short, "--by", "Birch")
    assert refused.code == 2
    assert f"arcdrift case reopen {case_id[:6]}" in refused.sentence
    again = arcdrift("case", "reopen", short, "--by", "Birch")
    assert again.code == 0
    assert "was opened again by Birch" in again.out
    history = arcdrift("case", "show", short).out
    for text in ("taken on by Ash: mine", "done by Birch", "closed by Ash: accepted: known",
                 "reopened by Birch", "Version 4."):  # fmt: skip
        assert text in history, history


def test_the_second_of_two_people_is_told_what_the_first_did(case_id: str, arcdrift: Any) -> None:
    arcdrift("case", "take", case_id, "--by", "Ash")
    late = arcdrift("case", "close", case_id, "--by", "Birch", "--version", "0")
    assert late.code == 2
    assert late.sentence.startswith("Meanwhile Ash took it on on ")
    assert arcdrift("case", "close", case_id, "--by", "Birch", "--version", "1").code == 0


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["take", "fff", "--by", "Ash"], "There is no case 'fff'; `arcdrift cases --all` lists"),
        (["take", "", "--by", "Ash"], "There is no case ''"),
        (["take", "ID", "--by", " "], "give --by NAME"),
        (["close", "ID", "--by", "Ash", "--as", "not-a-fault"], "Say why it is not a fault"),
        (["reopen", "ID", "--by", "Ash"], "is open: it is new"),
    ],
)
def test_what_cannot_be_said_is_refused_in_a_sentence(
    words: list[str], sentence: str, case_id: str, arcdrift: Any
) -> None:
    done = arcdrift("case", *(case_id if word == "ID" else word for word in words))
    assert done.code == 2
    assert sentence in done.sentence


def test_what_people_said_outlives_analyses_undo_and_a_new_import(
    case_id: str, analyzed: Path, arcdrift: Any
) -> None:
    arcdrift("case", "take", case_id, "--by", "Ash", "--why", "mine")
    assert arcdrift("analyze", "--from-scratch").code == 0
    before = arcdrift("cases", "--all", "--json").data
    assert {case["id"] for case in before if case["owner"] == "Ash"} == {case_id}
    assert arcdrift("imports", "undo", "2").code == 0
    assert arcdrift("analyze").code == 0
    # its splices are gone: it is still listed, with its owner
    (gone,) = (c for c in arcdrift("cases", "--all", "--json").data if c["id"] == case_id)
    assert (gone["owner"], gone["closed"]["how"], gone["findings"]) == ("Ash", "not-found", [])
    assert arcdrift("import", analyzed / "splices.csv").code == 0
    assert arcdrift("analyze").code == 0
    after = arcdrift("cases", "--all", "--json").data
    assert [(c["id"], c["owner"], c["state"]) for c in after] == [
        (c["id"], c["owner"], c["state"]) for c in before
    ]
    # an analysis changes nothing that people said
    with sqlite3.connect(analyzed / "arcdrift.db") as store:
        assert store.execute("SELECT count(*) FROM case_statements").fetchone() == (1,)


def test_pseudonyms_and_hidden_people_hold_for_cases(case_id: str, analyzed: Path) -> None:
    from arcdrift.people import People
    from arcdrift.settings import load_crew

    crew = load_crew(analyzed)
    case = {
        "subject": {"type": "technician", "id": "Hemlock"}, "title": "Hemlock: angles",
        "cause_text": "the hand: Hemlock", "next_step": "Watch Hemlock.",
    }  # fmt: skip
    hidden = crew.model_copy(update={"prep": crew.prep.model_copy(update={"person_pages": False})})
    assert People(hidden).case(case, []) is None
    named = crew.model_copy(update={"prep": crew.prep.model_copy(update={"pseudonyms": True})})
    shown = People(named).case(case, [])
    assert shown is not None
    assert "Hemlock" not in str(shown)
    other = case | {"subject": {"type": "splicer", "id": "Heron"}}
    told = People(hidden).case(other, ["Hemlock"])
    assert told is not None
    assert told["title"] == "one person: angles"


def test_splices_over_the_limit_are_listed_and_ticked_off(crew: Path, arcdrift: Any) -> None:
    bad = "Heron,2026-05-04 08:30,0.55,plain,Harbor,Alder,K1/7\n"
    splices = (crew / "splices.csv").read_text(encoding="utf-8").splitlines()
    lines = [splices[0] + ",location", *(f"{line}," for line in splices[1:])]
    (crew / "splices.csv").write_text("\n".join(lines) + "\n" + bad, encoding="utf-8")
    assert arcdrift("import", "arc-checks.csv", "splices.csv").code == 0
    assert arcdrift("analyze").code == 0
    (row,) = arcdrift("cases", "revisit", "--json").data
    assert (row["location"], row["loss_db"], row["state"]) == ("K1/7", 0.55, "open")
    assert "K1/7" in arcdrift("cases", "revisit").out
    number = row["splice_id"]
    assert arcdrift("cases", "revisit", number).code == 2
    assert arcdrift("cases", "revisit", number, "--by", "Ash", "--note", "0.04 now").code == 0
    assert arcdrift("cases", "revisit", "--json").data == []
    (ticked,) = arcdrift("cases", "revisit", "--all", "--json").data
    assert (ticked["state"], ticked["ticked_off_by"]) == ("ticked-off", "Ash")
    assert arcdrift("cases", "revisit", number, "--undo").code == 0
    assert len(arcdrift("cases", "revisit", "--json").data) == 1
    again = "splicer,spliced_at,loss_db,location\nHeron,2026-05-06 10:00,0.04,K1/7\n"
    (crew / "again.csv").write_text(again, encoding="utf-8")
    assert arcdrift("import", "again.csv").code == 0
    assert arcdrift("analyze").code == 0
    assert arcdrift("cases", "revisit", "--json").data == []
    (row,) = arcdrift("cases", "revisit", "--all", "--json").data
    assert (row["state"], row["made_again_at"][:10]) == ("made-again", "2026-05-06")
    # none of this is a case
    findings = arcdrift("findings", "--kind", "loss-over-limit", "--json").data
    assert all(finding["case_id"] is None for finding in findings)


def test_work_cannot_be_done_in_the_future(case_id: str, arcdrift: Any) -> None:
    refused = arcdrift("case", "done", case_id, "--by", "Ash", "--day", "2199-01-01")
    assert refused.code == 2
    assert "in the future" in refused.sentence
