"""The state of a case: what was found, and what people said."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from arcdrift.analysis.cases.case_states import case_view
from arcdrift.analysis.cases.found_cases import found_cases
from arcdrift.analysis.cases.outcome import Outcome, outcome
from arcdrift.case import CaseStatement
from arcdrift.finding import Finding
from tests.analysis.cases.made_up_findings import DUST, day, finding, records

RAISED = finding("loss-raised", first=10, last=20, onset=7, cause=DUST)
CLEANED = (("Dunlin", 21.0, "v-grooves cleaned"),)


def found(
    *findings: Finding, now: float = 24, service: tuple[tuple[str, float, str], ...] = ()
) -> dict[str, Any]:
    made = records(days=int(now), service=service)
    (document,) = found_cases(findings or (RAISED,), [], made, day(now)).documents
    return document


def said(
    action: str, at: float, by: str = "Ash", *, why: str = "", how: str = "", known: float = 20
) -> CaseStatement:
    return CaseStatement("x", action, by, why, day(at), day(known), how)


def view(document: dict[str, Any], *statements: CaseStatement, now: float = 24) -> dict[str, Any]:
    return case_view(document, statements, day(now))


def test_a_case_is_new_then_taken_on_then_waits_then_is_closed() -> None:
    document = found()
    new = view(document)
    assert (new["state"], new["owner"], new["version"]) == ("new", None, 0)
    assert new["next_step"] == "Look at it."
    taken = view(document, said("take", 22))
    assert (taken["state"], taken["owner"], taken["version"]) == ("taken-on", "Ash", 1)
    waiting = view(document, said("take", 22), said("done", 23, "Birch", why="cleaned"))
    assert (waiting["state"], waiting["owner"]) == ("waiting", "Ash")
    assert waiting["result"] == vars(Outcome("too-early", workdays_needed=5))
    assert waiting["next_step"] == "Wait for the result: 5 more workdays."
    closed = view(
        document, said("take", 22), said("close", 23, why="a new fiber", how="not-a-fault")
    )
    assert closed["state"] == "closed"
    assert closed["closed"] == {
        "how": "not-a-fault", "at": "2026-03-25T06:00:00Z", "by": "Ash", "why": "a new fiber",
    }  # fmt: skip
    assert closed["next_step"] == ""
    again = view(document, said("close", 22, how="accepted"), said("reopen", 23))
    assert (again["state"], again["closed"]) == ("new", None)


def test_the_history_tells_who_did_what_when_in_order() -> None:
    document = found(now=40, service=CLEANED)
    history = view(document, said("take", 20.5, why="mine"), now=40)["history"]
    assert [(row["what"], row["at"][:10], row["by"]) for row in history] == [
        ("started", "2026-03-09", None),
        ("seen", "2026-03-12", None),
        ("taken-on", "2026-03-22", "Ash"),
        ("done", "2026-03-23", None),
        ("closed", "2026-03-30", None),
    ]
    assert history[-1]["text"].startswith("cured: v-grooves cleaned on 23 Mar 2026")


def test_service_on_record_makes_it_wait_and_then_close_itself() -> None:
    waiting = view(found(now=24, service=CLEANED))
    assert waiting["state"] == "waiting"
    assert waiting["result"]["workdays_needed"] == 4
    closed = view(found(now=40, service=CLEANED), now=40)
    assert (closed["state"], closed["closed"]["how"], closed["closed"]["by"]) == (
        "closed", "cured", None,
    )  # fmt: skip
    assert closed["result"]["verdict"] == "cured"
    assert closed["days_open"] == 18


def test_what_a_person_said_was_done_closes_it_too() -> None:
    document = found(now=40)
    statement = said("done", 21, why="cleaned the lenses")
    closed = view(document, statement, now=40)
    assert (closed["state"], closed["closed"]["how"]) == ("closed", "cured")
    assert "cleaned the lenses" in closed["closed"]["why"]


def test_work_that_did_not_help_gives_the_case_back() -> None:
    raised = finding("loss-raised", first=10, last=40, onset=7, cause=DUST)
    document = found(raised, now=41)
    back = view(document, said("take", 12), said("done", 13, why="cleaned"), now=41)
    assert (back["state"], back["owner"]) == ("taken-on", "Ash")
    assert back["result"]["verdict"] == "not-assessable"
    assert back["next_step"].startswith("It went on after this: cleaned on 15 Mar 2026. Every")


def test_it_comes_back_with_its_history_and_its_owner() -> None:
    again = finding("loss-raised", first=50, last=55, cause=DUST)
    document = found(RAISED, again, now=56)
    for how in ("cured", "not-a-fault", "accepted"):
        opened = view(document, said("take", 21), said("close", 22, how=how, why="w"), now=56)
        assert (opened["state"], opened["owner"], opened["closed"]) == ("taken-on", "Ash", None)
        assert [row["what"] for row in opened["history"]][-1] == "came-back"
    # and by itself when it had closed itself
    closed_itself = view(found(RAISED, now=40, service=CLEANED), now=40)
    assert closed_itself["state"] == "closed"
    assert view(found(RAISED, again, now=56, service=CLEANED), now=56)["state"] == "new"


@pytest.mark.parametrize(("how", "state"), [("cured", "new"), ("accepted", "closed")])
def test_what_goes_on_for_a_week_was_not_cured_but_may_be_accepted(how: str, state: str) -> None:
    document = found(finding("loss-raised", first=10, last=30, onset=7, cause=DUST), now=31)
    assert view(document, said("close", 21, how=how), now=31)["state"] == state


def test_a_person_overrules_the_closing_until_there_is_news() -> None:
    document = found(now=40, service=CLEANED)
    assert view(document, said("reopen", 41), now=42)["state"] != "closed"
    later = finding("loss-raised", first=44, last=46, cause=DUST)
    mended = (*CLEANED, ("Dunlin", 47.0, "v-grooves cleaned"))
    news = found(RAISED, later, now=60, service=mended)
    assert view(news, said("reopen", 41), now=60)["state"] == "closed"


def test_a_case_that_somebody_took_on_does_not_pass_unnoticed() -> None:
    document = found(now=60)
    assert view(document, now=60)["closed"]["how"] == "passed"
    assert view(document, said("take", 22), now=60)["state"] == "taken-on"


def test_what_is_said_of_a_quiet_case_lists_it() -> None:
    document = found(finding("check-late"), now=24)
    assert not view(document)["told"]
    assert view(document, said("reopen", 22))["told"]


@pytest.mark.parametrize(
    ("acted", "until", "workdays", "expected"),
    [
        (0, 0, 4, Outcome("too-early", workdays_needed=1)),
        (0, 0, 5, Outcome("cured")),
        (0, -6, 5, Outcome("cured")),
        (0, 2, 9, Outcome("cured")),
        (0, -8, 9, Outcome("not-assessable")),  # it was over before
        (0, 20, 30, Outcome("not-assessable")),  # it went on
    ],
)
def test_the_outcome_is_told_by_the_end_of_the_evidence_or_not_at_all(
    acted: int, until: int, workdays: int, expected: Outcome
) -> None:
    start = date(2026, 3, 2)
    days = [start + timedelta(days=number + 1) for number in range(workdays)]
    assert outcome(start + timedelta(days=acted), start + timedelta(days=until), days) == expected


def test_days_open_run_to_now_or_to_the_closing() -> None:
    document = found()
    assert view(document, now=24)["days_open"] == 14
    assert view(document, said("close", 23, how="accepted"), now=200)["days_open"] == 13


def test_instants_are_utc_text() -> None:
    for row in view(found(), said("take", 22))["history"]:
        assert datetime.fromisoformat(row["at"]).tzinfo in (UTC, datetime.now(UTC).tzinfo)


@pytest.mark.parametrize(("zone", "at"), [("Europe/Oslo", 22.73), ("America/Denver", 23.84)])
def test_work_said_done_is_of_the_local_day_of_its_subject(zone: str, at: float) -> None:
    # 25 Mar 2026 in both: 23:xx UTC of the 24th in Oslo, 02:xx UTC of the 26th in Denver
    document = found() | {"zone": zone}
    measured = {
        "2026-03-25": vars(Outcome("better", 45.0, 12.0, -33.0, 2.0, 22.0, "% above usual"))
    }
    done = CaseStatement("x", "done", "Ash", "cleaned", day(30), day(20), acted_on=day(at))
    shown = view(document | {"outcomes": measured}, done, now=30)
    assert shown["actions"][-1]["day"] == "2026-03-25"
    assert shown["result"]["verdict"] == "better"
    assert "after cleaned on 25 Mar 2026." in shown["next_step"]
    assert "on 25 Mar 2026: cleaned" in [row["text"] for row in shown["history"]]


def test_a_case_that_came_back_tells_how_it_had_ended() -> None:
    again = finding("loss-raised", first=52, last=55, onset=50, cause=DUST)
    document = found(RAISED, again, now=56, service=CLEANED)
    case = view(document, now=56)
    assert case["state"] == "new"
    assert [(row["what"], row["text"]) for row in case["history"]] == [
        ("started", "estimated onset"),
        ("seen", "first alarm"),
        ("done", "v-grooves cleaned"),
        ("closed", "cured: v-grooves cleaned on 23 Mar 2026"),
        ("came-back", "it showed again"),
    ]
    assert case["next_step"].startswith("It came back after this: v-grooves cleaned on 23 Mar")
    assert case["next_step"].endswith("Look at it.")  # what helped once may help again
    assert case["result"] is None
    # a person had closed it before it would have closed itself
    by_hand = view(document, said("close", 24, how="cured"), now=56)
    closings = [row for row in by_hand["history"] if row["what"] == "closed"]
    assert [row["by"] for row in closings] == ["Ash"]


def test_work_that_no_record_shows_is_asked_for() -> None:
    worn = found(finding("electrodes-worn", first=10, last=20), now=21)
    case = view(worn, said("done", 20.5), now=21)
    assert case["state"] == "waiting"
    assert case["next_step"].startswith("The records do not show the work yet: write it down")
