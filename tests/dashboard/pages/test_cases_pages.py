"""The pages of cases: what they say, whom they name, and what a person writes on them."""

import json
from collections import Counter
from dataclasses import asdict
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from arcdrift.analysis.cases.outcome import OF_USUAL, OF_WORKDAYS, Outcome, outcome_text
from arcdrift.people import Viewer
from dashboard import forms
from dashboard.callbacks import screen
from dashboard.components import View
from dashboard.downloads import as_csv
from dashboard.pages.cases import cases as cases_page
from dashboard.pages.cases.case_callbacks import said
from dashboard.pages.cases.case_forms import FieldProblems, typed_statement
from dashboard.pages.cases.case_words import began_text, interval_text, level_text
from dashboard.pages.cases.cases import cases_table
from dashboard.pages.cases.news import events_of
from dashboard.reading.data import CrewData
from dashboard.shell import shell
from dashboard.url_query import parse
from tests.dashboard.invented import NOW
from tests.dashboard.pages.invented_cases import (
    CHECKS,
    CURED,
    HAND,
    HOSTILE,
    LOSS,
    crew_with_cases,
    say,
    stamp,
)
from tests.dashboard.rendering import UnchangingCrew, parts, shown, text

OSLO = ZoneInfo("Europe/Oslo")
TODAY = date(2025, 6, 13)


@pytest.fixture(scope="module")
def crew(tmp_path_factory: pytest.TempPathFactory) -> UnchangingCrew:
    folder = tmp_path_factory.mktemp("with-cases")
    crew_with_cases(folder)
    return UnchangingCrew(folder)


@pytest.fixture
def own(tmp_path: Path) -> CrewData:
    return crew_with_cases(tmp_path)


def button(case: str, action: str, version: int = 0) -> dict[str, object]:
    return {"case": case, "action": action, "version": version}


def links(data: CrewData, path: str, query: str = "") -> list[str]:
    page = screen(data, path, query, "light")
    return [str(one.href) for one in parts(page) if getattr(one, "href", None)]


def test_the_page_says_first_what_needs_somebody_now(crew: UnchangingCrew) -> None:
    words = shown(crew, "/cases")
    assert words.startswith(
        "Cases 4 need somebody. 1 of these is about one person's work, which the page Shift leaves"
    )
    new = words.partition("New: needs somebody")[2].partition("Closed (1)")
    assert (
        new[0].index("loss up 60 %")
        < new[0].index("check missed or late")
        < new[0].index("cleave angles up")
        < new[0].index("air readings missing")
    )  # by severity, within it the newest alarm first
    assert "New, nobody has it; first alarm 6 days ago. Since 4 Jun 2025." in new[0]
    assert "Next: Then splice three test pairs." in new[0]  # causes stand on the case's own page
    assert "Heron: arc setting up 14 steps Closed by itself on 1 Jun 2025, cured" in new[2]


@pytest.mark.parametrize(
    ("query", "titles"),
    [
        ("?subject=splicer:Kestrel", ["loss up 60 %", "check missed"]),
        ("?cause=readings", ["air readings missing"]),
        ("?subject=splicer:Kestrel&cause=checks", ["check missed"]),
        ("?owner=Ash", []),
        ("?subject=splicer:Nobody", []),
    ],
)
def test_filters_stand_in_the_address(crew: UnchangingCrew, query: str, titles: list[str]) -> None:
    page = screen(crew, "/cases", query, "light")
    found = [text(one) for one in parts(page) if getattr(one, "className", "") == "case-title"]
    assert len(found) == len(titles)
    assert all(title in one for title, one in zip(titles, found, strict=True))
    assert ("No open case matches." in text(page)) == (not titles)


def test_nobodys_cases_and_an_analysis_still_to_come_are_said_kindly(tmp_path: Path) -> None:
    (tmp_path / "crew.toml").write_text('name = "New"\ntime_zone = "UTC"\n', encoding="utf-8")
    for path in ("/cases", "/cases/revisit", f"/cases/{LOSS}"):
        assert "Nothing analyzed yet" in text(screen(CrewData(tmp_path), path, "", "light"))


def test_no_case_is_open(data: CrewData) -> None:
    words = shown(data, "/cases")
    assert "No case is open: nothing needs somebody now." in words
    assert "No splice over the accepted limit waits to be looked at again." in words


@pytest.mark.parametrize("path", ["/cases", "/cases/revisit", f"/cases/{LOSS}", f"/cases/{CURED}"])
def test_each_page_has_one_title_and_ids_that_differ(crew: UnchangingCrew, path: str) -> None:
    page = [shell(crew.crew, "light", "1"), screen(crew, path, "", "light")]
    seen = Counter(json.dumps(one.id, sort_keys=True) for one in parts(page) if hasattr(one, "id"))
    assert [name for name, count in seen.items() if count > 1] == []
    assert sum(getattr(one, "order", None) == 1 for one in parts(page)) == 1


def test_one_case_tells_its_state_evidence_history_and_cautions(crew: UnchangingCrew) -> None:
    words = shown(crew, f"/cases/{LOSS}")
    assert "New, nobody has it" in words
    assert "I take this on" in words
    assert "Loss has risen 7 Jun 2025 to 13 Jun 2025 Kestrel, single-mode fixed: loss rose" in words
    assert "Began 4 Jun 2025 between 2 Jun 2025 and 5 Jun 2025" in words
    assert "Started 4 Jun 2025 First alarm 7 Jun 2025, 14:00" in words
    assert "Electrodes carry high voltage" in words
    where = links(crew, f"/cases/{LOSS}")
    assert "/splicer?splicer=Kestrel" in where
    assert "/loss?splicer=Kestrel&program=single-mode+fixed" in where


def test_a_finding_has_its_evidence_on_the_page_of_its_case(crew: UnchangingCrew) -> None:
    (own,) = next(case for case in crew.cases() if case["id"] == LOSS)["findings"]
    page = screen(crew, f"/cases/{LOSS}", f"?finding={own}", "light")
    (line,) = [one for one in parts(page) if getattr(one, "id", "") == f"finding-{own}"]
    (folded,) = [one for one in parts(line) if type(one).__name__ == "Details"]
    assert folded.open
    words = " ".join(text(folded).split())
    assert "First alarm 7 Jun 2025" in words
    assert "Change likely began 4 Jun 2025 (between 2 Jun 2025 and 5 Jun 2025)" in words
    assert words.index("Arc check missed 70 %") < words.index("V-grooves 30 %")
    assert "Loss since, high values capped 0.064 dB" in words
    plain = screen(crew, f"/cases/{LOSS}", "", "light")
    assert not any(one.open for one in parts(plain) if type(one).__name__ == "Details"
                   and getattr(one, "className", "") == "finding-more")  # fmt: skip
    # the address that the page of findings had leads there
    moved = screen(crew, "/findings", f"?finding={own}", "light")
    assert getattr(moved, "data-moved") == f"/cases/{own}"
    assert "Kestrel, single-mode fixed: loss up 60 %" in text(moved)


def test_a_title_that_says_since_when_is_not_told_so_twice(crew: UnchangingCrew) -> None:
    run = crew.run()
    assert run is not None
    view = View(crew, run, {}, "light")
    case = next(one for one in crew.cases() if one["id"] == LOSS)
    assert began_text(view, case) == "Since 4 Jun 2025."
    assert began_text(view, case | {"title": "Kestrel: loss up 60 % since 4 Jun"}) == ""


def test_how_the_keyboard_works_is_said(crew: UnchangingCrew) -> None:
    assert "j and k or the arrows go from case to case, Enter opens it." in shown(crew, "/cases")
    assert "go from button to button, Enter presses it." in shown(crew, f"/cases/{LOSS}")


def test_a_habit_tells_its_rate_and_no_caution_about_glass(crew: UnchangingCrew) -> None:
    words = shown(crew, f"/cases/{CHECKS}")
    assert "Missed or late on 60 % of workdays (23 to 88 %); 5 % is usual" in words
    assert "Before you touch anything" not in words
    assert "/checks?splicer=Kestrel" in links(crew, f"/cases/{CHECKS}")


def test_a_closed_case_can_be_opened_again_and_nothing_else(crew: UnchangingCrew) -> None:
    words = shown(crew, f"/cases/{CURED}")
    assert "Open again" in words
    assert "I take this on" not in words
    assert "Closed by itself on 1 Jun 2025, cured: electrodes replaced." in words


def test_a_case_that_is_not_there_is_said_kindly(crew: UnchangingCrew) -> None:
    assert "There is no case nothing here." in shown(crew, "/cases/nothing")
    assert shown(crew, f"/cases/{CURED[:6]}") == shown(crew, f"/cases/{CURED}")


def test_a_result_is_told_with_its_interval(tmp_path: Path) -> None:
    measured = Outcome("better", 34.0, 12.0, -22.0, 4.0, 20.0, OF_USUAL)
    crew_with_cases(tmp_path)

    class Measured(CrewData):
        def cases(self) -> list[dict[str, Any]]:
            action = {"at": stamp(4), "what": "cleaned", "by": "Ash", "source": "said"}
            return [
                case
                | {
                    "state": "taken-on", "owner": "Ash", "actions": [action],
                    "result": asdict(measured), "result_text": outcome_text(measured),
                }
                for case in super().cases()
            ]  # fmt: skip

    words = shown(Measured(tmp_path), f"/cases/{LOSS}")
    assert "Before and after: better Measured around: cleaned by Ash, 9 Jun 2025." in words
    assert "Before 34 % above usual Since 12 % above usual 95 % interval 4 to 20 %" in words
    assert "Result: Better: 12 % above usual since (4 to 20 %), 34 % above it before." in words


def test_levels_are_told_in_words() -> None:
    assert level_text(-3.2, OF_USUAL) == "3 % below usual"
    assert level_text(5.4, OF_WORKDAYS) == "5.4 % of workdays"
    assert interval_text(-12.4, 12) == "95 % interval \N{MINUS SIGN}12 to 12 %"


def test_taken_done_and_closed_show_at_once(own: CrewData) -> None:
    answer = said(own, button(LOSS, "take"), {"by": " Ash "})
    assert (answer["place"], answer["bad"]) == (LOSS, False), answer
    assert "Taken on by Ash" in shown(own, f"/cases/{LOSS}")
    fields = {"by": "Ash", "what": "v-grooves cleaned", "why": "both", "day": "2025-06-12"}
    said(own, button(LOSS, "done", 1), fields)
    words = shown(own, f"/cases/{LOSS}")
    assert "Waiting for the result of: v-grooves cleaned: both. Ash has it." in words
    assert "Too early: 5 more workdays." in words
    assert "Done by Ash" in words
    assert "2 need somebody" not in shown(own, "/cases")
    answer = said(own, button(LOSS, "close", 2), {"by": "Ash", "how": "cured", "why": ""})
    assert answer["sentence"].startswith("Closed: cured.")
    assert "Closed by Ash" in shown(own, f"/cases/{LOSS}")
    said(own, button(LOSS, "reopen", 3), {"by": "Ash"})
    assert "Opened again by Ash" in shown(own, f"/cases/{LOSS}")


def test_somebody_else_was_faster(own: CrewData, tmp_path: Path) -> None:
    say(tmp_path, LOSS, "take", "Robin", "mine")
    fields = {"by": "Ash", "how": "not-a-fault", "why": "a new fiber"}
    answer = said(own, button(LOSS, "close"), fields)
    assert answer["bad"]
    assert answer["sentence"].startswith("Meanwhile Robin took it on on ")
    assert "(mine). Nothing of yours was stored." in answer["sentence"]
    assert answer["refill"] == {"how": "not-a-fault", "why": "a new fiber"}  # not to be typed again
    assert "Taken on by Robin" in shown(own, f"/cases/{LOSS}")


def test_a_button_pressed_twice_is_one_statement(own: CrewData) -> None:
    said(own, button(LOSS, "take"), {"by": "Ash"})
    again = said(own, button(LOSS, "take"), {"by": "Ash"})
    assert not again["bad"]
    assert next(one for one in own.cases() if one["id"] == LOSS)["version"] == 1


@pytest.mark.parametrize(
    ("action", "fields", "problems"),
    [
        ("take", {"by": " "}, {"by": "Say who you are."}),
        ("take", {"by": "x" * 101}, {"by": "A name may be 100 characters long."}),
        ("done", {"by": "Ash"}, {"what": "Choose what was done."}),
        ("done", {"by": "Ash", "what": "other work"}, {"why": "Say in a few words what was done."}),
        ("done", {"by": "Ash", "what": "coaching", "day": "2025-06-14"},
         {"day": "This day is yet to come; say it once the work is done."}),
        ("done", {"by": "Ash", "what": "coaching", "day": "soon"},
         {"day": "This is not a date; write it like 2026-05-04."}),
        ("close", {"by": "Ash"}, {"how": "Choose why it is closed."}),
        ("close", {"by": "", "how": "not-a-fault"},
         {"by": "Say who you are.", "why": "Say why it is not a fault."}),
        ("reopen", {"by": "Ash", "why": "x" * 2001}, {"why": "It may be 2,000 characters long."}),
    ],
)  # fmt: skip
def test_what_is_missing_is_said_beside_its_field(action, fields, problems) -> None:
    with pytest.raises(FieldProblems) as refused:
        typed_statement(action, fields, TODAY, OSLO)
    assert refused.value.problems == problems


def test_who_is_signed_in_says_it(own: CrewData, monkeypatch: pytest.MonkeyPatch) -> None:
    user = SimpleNamespace(name="robin.v", viewer=Viewer("trainer"))
    monkeypatch.setattr(forms, "current_user", lambda: user)
    said(own, button(LOSS, "take"), {"by": "somebody else"})
    words = shown(own, f"/cases/{LOSS}")
    assert "Taken on by robin.v on" in words
    assert not any(
        getattr(one, "label", "") == "Your name"
        for one in parts(screen(own, f"/cases/{LOSS}", "", "light"))
    )
    monkeypatch.setattr(cases_page, "current_user", lambda: user)
    assert "loss up 60 %" in shown(own, "/cases", "?owner=mine")
    assert "air readings" not in shown(own, "/cases", "?owner=mine")


def test_what_was_done_counts_from_its_day_where_it_was_done() -> None:
    fields = {"by": "Ash", "what": "coaching", "why": "", "day": "2025-06-12"}
    typed = typed_statement("done", fields, TODAY, OSLO)
    assert (typed["why"], typed["acted_on"].isoformat()) == (
        "coaching", "2025-06-12T10:00:00+00:00",
    )  # fmt: skip


def test_a_case_about_a_person_is_for_that_person_trainers_and_leads(tmp_path: Path) -> None:
    everything = crew_with_cases(tmp_path)
    for viewer, sees in (
        (Viewer("trainer"), True),
        (Viewer("technician", "Birch"), True),
        (Viewer("technician", "Alder"), False),
    ):
        data = everything.seen_by(viewer)
        assert ("Birch" in shown(data, "/cases")) == sees
        assert ("There is no case" in shown(data, f"/cases/{HAND}")) == (not sees)
        answer = said(data, button(HAND, "take"), {"by": "Somebody"})
        assert answer["bad"] == (not sees)
        assert sees or answer["sentence"].startswith("This case is no longer here")
        assert "Birch" not in shown(data, "/")  # nobody is named on everybody's page


def test_a_crew_that_hides_people_shows_no_case_about_one(tmp_path: Path) -> None:
    data = crew_with_cases(tmp_path, "[prep]\nperson_pages = false\n")
    assert "Birch" not in shown(data, "/cases")
    assert "There is no case" in shown(data, f"/cases/{HAND}")


def test_the_other_pages_say_where_the_case_stands_and_lead_to_it(
    own: CrewData, tmp_path: Path
) -> None:
    say(tmp_path, LOSS, "take", "Robin")
    for path, query in (("/loss", "?splicer=Kestrel&program=single-mode+fixed"),):
        assert "Case: taken on" in shown(own, path, query)
        assert f"/cases/{LOSS}" in links(own, path, query)
    assert "loss up 60 % Taken on by Robin" in shown(own, "/splicer", "?splicer=Kestrel")
    assert f"/cases/{LOSS}" in links(own, "/splicer", "?splicer=Kestrel")
    assert "Kestrel, single-mode fixed: loss up 60 %" in shown(own, "/")
    assert f"/cases/{LOSS}" in links(own, "/")


def test_a_closed_case_is_no_longer_open_on_the_start_page(own: CrewData, tmp_path: Path) -> None:
    say(tmp_path, LOSS, "close", "Robin", "checked", how="accepted")
    assert "All cases: 2 open, 0 to act on" in shown(own, "/")


def test_what_is_new_is_known_by_when_it_was_found(crew: UnchangingCrew) -> None:
    run = crew.run()
    assert run is not None
    view = View(crew, run, {}, "light")
    by_id = {case["id"]: case for case in crew.cases()}
    # found when the crew was made, long after its first alarm
    ((what, at),) = events_of(view, by_id[LOSS])
    assert (what, at // 1000) == ("new", int(crew.cases_found_at()[LOSS].timestamp()))
    assert at > NOW.timestamp() * 1000
    assert [what for what, _ in events_of(view, by_id[CURED])] == ["closed"]


def test_hostile_names_stay_words(own: CrewData, tmp_path: Path) -> None:
    say(tmp_path, LOSS, "take", HOSTILE[:90], HOSTILE)
    say(tmp_path, CHECKS, "take", "=cmd|' /C calc'!A0")
    for path in ("/cases", f"/cases/{LOSS}"):
        page = screen(own, path, "", "light")
        assert "<img src=x" in text(page)  # text of a component, which the browser never parses
        assert not any("dangerously" in type(one).__name__.lower() for one in parts(page))
    run = own.run()
    assert run is not None
    table = as_csv(cases_table(View(own, run, parse(""), "light")))
    assert ",'=cmd|' /C calc'!A0," in table
