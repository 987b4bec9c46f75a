"""What ended a case, and how few there are."""

from datetime import date, timedelta
from typing import Any

import pytest
from statsmodels.stats.proportion import proportion_confint

from arcdrift.analysis.cases.case_records import CaseRecords
from arcdrift.analysis.cases.case_titles import title_of_past_year
from arcdrift.analysis.cases.found_cases import FoundCases, found_cases
from arcdrift.case import rate_text
from arcdrift.finding import Finding
from tests.analysis.cases.made_up_findings import DUST, START, day, finding, records


def cases(*findings: Finding, made: CaseRecords | None = None, now: float = 60) -> FoundCases:
    return found_cases(findings, [], made or records(days=int(now)), day(now))


def case(*findings: Finding, made: CaseRecords | None = None, now: float = 60) -> dict[str, Any]:
    (document,) = cases(*findings, made=made, now=now).documents
    return document


RAISED = finding("loss-raised", first=10, last=20, onset=7, cause=DUST)


def test_a_case_says_in_a_plain_sentence_what_when_and_why() -> None:
    found = case(RAISED, now=21)
    assert found["title"] == "Dunlin: loss up 45 % since 9 Mar"
    assert found["subject"] == {"type": "splicer", "id": "Dunlin"}
    assert (found["cause"], found["cause_text"]) == ("loss", DUST)
    assert (found["since"], found["seen"]) == ("2026-03-09T06:00:00Z", "2026-03-12T06:00:00Z")
    assert found["resolution"] is None
    assert found["findings"] == [RAISED.id]


@pytest.mark.parametrize(
    ("found", "title"),
    [
        (finding("arc-drift", onset=-70),
         "Dunlin: arc setting creeping, +19 steps since 22 Dec 2025"),
        (finding("arc-step", unexplained_change=-0.42, setting_unit="mA"),
         "Dunlin: arc setting down 0.4 mA since 2 Mar"),
        (finding("loss-dirty"), "Dunlin: 5 % of splices dirty since 2 Mar, usually 1 %"),
        (finding("cleave-raised", "C0", about="cleaver"), "C0: cleave angles up 34 % since 2 Mar"),
        (finding("cleave-run", "Ash", about="technician"),
         "Ash: 2 runs of bad cleaves since 2 Mar"),
        (finding("loss-raised", "Dunlin / fixed", about="stream"),
         "Dunlin, fixed: loss up 45 % since 2 Mar"),
        (finding("electrodes-worn"), "Dunlin: electrodes near their limit, 223 arcs left"),
        (finding("check-failed", last=0), "Dunlin: 44 splices after a failed check, 2 Mar"),
        (finding("service-due"), "Dunlin: cleaning due since 2 Mar"),
        (finding("clock-wrong"), "Dunlin: splicer clock is wrong, 12 Mar"),
        (finding("loss-raised", "crew", about="crew"), "The whole crew: loss up 45 % since 2 Mar"),
    ],
)  # fmt: skip
def test_titles(found: Finding, title: str) -> None:
    assert case(found, now=12)["title"] == title


def test_a_cure_on_record_closes_it_after_five_workdays() -> None:
    cleaned = (("Dunlin", 21, "v-grooves cleaned"),)
    early = case(RAISED, made=records(days=26, service=cleaned), now=26)
    assert early["resolution"] is None
    assert [action["what"] for action in early["found_actions"]] == ["v-grooves cleaned"]
    late = case(RAISED, made=records(days=40, service=cleaned), now=40)
    assert late["resolution"]["how"] == "cured"
    assert late["resolution"]["why"] == "v-grooves cleaned on 23 Mar 2026, and it is back to usual"
    assert late["resolution"]["at"].startswith("2026-03-30")  # five workdays after the 23rd


@pytest.mark.parametrize(
    "service",
    [
        ("Heron", 21.0, "v-grooves cleaned"),  # of another splicer
        ("Dunlin", 21.0, "cleaned"),  # too common to be told from chance
        ("Dunlin", 12.0, "v-grooves cleaned"),  # it went on for a week after this
        ("Dunlin", 30.0, "v-grooves cleaned"),  # it was over before this
    ],
)
def test_other_service_is_no_cure(service: tuple[str, float, str]) -> None:
    found = case(RAISED, made=records(days=40, service=(service,)), now=40)
    assert found["resolution"] is None


def test_what_nothing_explains_passes_after_four_weeks() -> None:
    assert case(RAISED, now=47)["resolution"] is None
    passed = case(RAISED, now=49)["resolution"]
    assert passed["how"] == "passed"
    assert passed["why"].startswith("no evidence since 22 Mar 2026, and no action on record")


def test_a_splicer_that_did_not_work_since_is_not_over_its_fault() -> None:
    assert case(RAISED, made=records(days=15), now=60)["resolution"] is None


def test_coaching_is_found_in_the_log_and_not_judged_here() -> None:
    hand = finding("cleave-raised", "Person 0", 0, 58, about="technician")
    hand = Finding(**vars(hand) | {"evidence": {"angle_change_pct": 40.0}})
    note = (("Person 0", (START + timedelta(days=30)).date().isoformat(), "cleaving"),)
    found = case(hand, made=records(days=60, notes=note))
    assert [(a["what"], a["by"]) for a in found["found_actions"]] == [("coaching: cleaving", "Ash")]
    assert not found["measured"]
    assert found["resolution"] is None


def test_usual_misses_and_todays_air_are_kept_and_not_listed() -> None:
    for kind in ("check-missed", "check-late", "conditions-moved", "loss-lowered", "service-due"):
        assert not case(finding(kind))["told"], kind
    overdue = finding("service-due", severity="act")
    assert case(overdue)["told"]


def test_nothing_is_kept_of_todays_air() -> None:
    assert cases(finding("conditions-moved")).kept == ()
    assert len(cases(finding("loss-lowered")).kept) == 1


def test_a_habit_is_one_case_a_splicer_with_its_rate() -> None:
    made = records(days=80, splicers=("Dunlin", "Heron", "Tern"))
    days = made.check_days
    own = days.index[days["splicer"] == "Dunlin"]
    days.loc[own[20:30:2], "status"] = "missed"
    days.loc[own[21:30:4], "status"] = "late"
    made = CaseRecords(made.cells, days, made.service, made.notes, made.crew)
    found = case(
        finding("check-missed", first=28, last=38), finding("check-late", first=29, last=37),
        made=made,
    )  # fmt: skip
    assert found["told"]
    assert found["title"] == "Dunlin: check missed or late on 8 of 10 workdays since 30 Mar"
    assert (found["rate"]["bad"], found["rate"]["unit"]) == (8, "workdays")
    assert found["rate"]["low"] < 8 / 10 < found["rate"]["high"]
    assert found["resolution"]["how"] == "past"
    assert len(found["findings"]) == 2


@pytest.mark.parametrize(
    ("kind", "of", "text"),
    [
        ("loss-dirty", "splices", "Dirty: 5 % of splices (3 to 8 %); 1 % is usual."),
        (
            "first-time-lowered",
            "places",
            "Not right first time: 5 % of places (3 to 8 %); 1 % is usual.",
        ),
        (
            "errors-raised",
            "attempts",
            "Ended with an error: 5 % of attempts (3 to 8 %); 1 % is usual.",
        ),
    ],
)
def test_shares_have_an_interval(kind: str, of: str, text: str) -> None:
    # Wilson's interval of 15 in 300, as statsmodels' proportion_confint has it
    low, high = proportion_confint(15, 300, method="wilson")
    share = {"share_since": 0.05, "share_expected": 0.01, f"{of}_since": 300}
    rate = case(finding(kind, **share), now=12)["rate"]
    assert (rate["low"], rate["high"]) == pytest.approx((low, high), abs=1e-4)
    assert rate_text(rate) == text


def test_splicing_after_a_failed_check_is_over_when_one_passes() -> None:
    failed = finding("check-failed", first=1, last=1)
    made = records(days=60)
    days = made.check_days
    on_failed = (days["splicer"] == "Dunlin") & (days["day"] == "2026-03-03")
    days.loc[on_failed, ["status", "checked_at"]] = ["failed-only", None]
    assert case(failed, made=made)["resolution"]["why"] == "a check passed on 4 Mar 2026"
    until = days[days["day"] <= "2026-03-03"]
    then = CaseRecords(made.cells, until, made.service, made.notes, made.crew)
    assert case(failed, made=then, now=1.5)["resolution"] is None


def test_one_failed_check_is_listed_for_a_week_and_a_habit_for_longer() -> None:
    once = finding("check-failed", first=1, last=1)
    again = finding("check-failed", first=15, last=15)
    assert case(once, now=6)["told"]
    assert not case(once, now=20)["told"]
    assert case(once, again, now=40)["told"]
    assert case(once, now=20)["findings"] == [once.id]  # as evidence it stays


def test_every_finding_belongs_to_one_case_or_to_the_list() -> None:
    single = finding("loss-over-limit", "Dunlin / a", about="stream", single_limit_db=0.3)
    found = cases(RAISED, single, finding("check-late"))
    assert set(found.case_ids) == {RAISED.id, finding("check-late").id}
    listed = [name for document in found.documents for name in document["findings"]]
    assert sorted(listed) == sorted(found.case_ids)
    assert {document["id"] for document in found.documents} == set(found.case_ids.values())


def test_a_case_people_spoke_about_stays_when_its_evidence_is_gone() -> None:
    (kept,) = cases(RAISED).kept
    silent = found_cases([], [kept], records(days=60), day(60))
    assert silent.documents == ()
    spoken = type(kept)(**vars(kept) | {"spoken": True})
    (lost,) = found_cases([], [spoken], records(days=60), day(60)).documents
    assert (lost["id"], lost["title"]) == (kept.id, "Dunlin: loss up 45 % since 9 Mar")
    assert lost["resolution"]["how"] == "not-found"


def test_worn_electrodes_that_were_replaced_are_cured() -> None:
    (kept,) = cases(finding("electrodes-worn"), now=11).kept
    service = (("Dunlin", 12, "electrodes replaced"), ("Dunlin", 50, "electrodes replaced"))
    made = records(days=60, service=service)
    for spoken in (False, True):  # also where nobody took it on
        case = type(kept)(**vars(kept) | {"spoken": spoken})
        (lost,) = found_cases([], [case], made, day(60)).documents
        assert lost["resolution"]["how"] == "cured"
        assert lost["resolution"]["why"] == "electrodes replaced on 14 Mar 2026"
    later = records(days=60, service=(("Dunlin", 50, "electrodes replaced"),))
    assert found_cases([], [kept], later, day(60)).documents == ()


def test_a_case_that_is_no_longer_found_names_the_year_once_that_is_over():
    title = "Dunlin: loss up 45 % since 19 Oct"
    seen, later = date(2026, 11, 16), date(2027, 1, 4)
    assert title_of_past_year(title, seen, seen) == title
    assert title_of_past_year(title, seen, later) == f"{title} 2026"
    assert title_of_past_year(f"{title} 2025", seen, later) == f"{title} 2025"
    worn = "Dunlin: electrodes near their limit, 129 arcs left"
    assert title_of_past_year(worn, seen, later) == worn
