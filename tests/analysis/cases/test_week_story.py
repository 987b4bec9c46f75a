"""A week in three sentences, from its changes and the cases as they stand."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

from arcdrift.analysis.cases.week_story import MOST_NAMED, WeekSpan, plain, week_story

MONDAY = date(2026, 11, 9)
BEGINS = datetime(2026, 11, 9, 7, tzinfo=UTC)
WEEK = WeekSpan(MONDAY, BEGINS, BEGINS + timedelta(days=7))


def row(splicer: str, change: float, *, stands_out: bool = True) -> dict[str, Any]:
    return {
        "splicer": splicer, "program": "fixed" if splicer else "", "change": change,
        "low": change - 0.1, "high": change + 0.1, "stands_out": stands_out,
    }  # fmt: skip


def case(name: str, **values: Any) -> dict[str, Any]:
    return {
        "id": f"id-{name}", "title": f"{name}: arc setting up", "told": True, "cause": "arc",
        "subject": {"type": "splicer", "id": name}, "seen": "2026-10-01T08:00:00Z",
        "state": "new", "closed": None, "actions": [], "result_text": None,
    } | values  # fmt: skip


def action(day: str, what: str = "electrodes replaced") -> dict[str, Any]:
    return {"day": day, "what": what, "by": None, "source": "service"}


def test_rises_falls_new_and_ended_cases_and_results_are_told():
    cases = [
        case("Heron", seen="2026-11-10T08:00:00Z"),
        case("Tern", state="closed", closed={"how": "cured", "at": "2026-11-12T12:00:00Z"}),
        case("Dunlin", state="waiting", actions=[action("2026-11-06")],
             result_text="too early: 1 more workday"),
        case("Teal", state="taken-on", actions=[action("2026-11-10", "cleaned"),
                                                action("2026-11-11")], result_text="cured"),
    ]  # fmt: skip
    rows = [row("", 0.5), row("Snipe", 0.28), row("Grebe", 0.4), row("Wigeon", -0.2)]
    story = week_story([*rows, row("Pipit", 0.3, stands_out=False)], cases, WEEK)
    assert plain(story.worse) == (
        "More loss: Grebe, fixed +40 (+30 to +50) %; Snipe, fixed +28 (+18 to +38) %. "
        "1 new case: Heron: arc setting up."
    )
    assert plain(story.better) == (
        "Less loss: Wigeon, fixed \u221220 (\u221230 to \u221210) %. "
        "1 case over: Tern: arc setting up (cured)."
    )
    assert plain(story.done) == (
        "Teal, electrodes replaced on 11 Nov 2026: cured; Teal, cleaned on 10 Nov 2026: more was "
        "done after it; Dunlin, electrodes replaced on 6 Nov 2026: too early: 1 more workday."
    )
    assert {(word.leads_to, word.key) for word in story.worse if word.leads_to} == {
        ("stream", "Grebe / fixed"), ("stream", "Snipe / fixed"), ("case", "id-Heron"),
    }  # fmt: skip


def test_a_quiet_week_says_so_and_a_rise_with_a_case_is_told_once():
    story = week_story([row("", 0.0, stands_out=False)], [], WEEK)
    assert plain(story.worse).startswith("Nothing stands out")
    assert plain(story.better).startswith("Nothing stands out")
    assert plain(story.done) == "Nothing is on record for a case, and no result came in."
    new = case("Snipe", cause="loss", seen="2026-11-10T08:00:00Z", title="Snipe: loss up 28 %")
    told = plain(week_story([row("Snipe", 0.28)], [new], WEEK).worse)
    assert told == "1 new case: Snipe: loss up 28 %."


def test_only_what_happened_in_the_week_counts_and_long_lists_are_cut():
    edges = ["2026-11-09T06:59:59Z", "2026-11-09T07:00:00Z", "2026-11-16T07:00:00Z"]
    cases = [case(f"S{number}", seen=seen) for number, seen in enumerate(edges)]
    assert plain(week_story([], cases, WEEK).worse) == "1 new case: S1: arc setting up."
    old = case("Old", state="waiting", actions=[action("2026-10-01")])
    untold = case("None", told=False, seen=edges[1], actions=[action("2026-11-10")])
    no_fault = case("A", state="closed", closed={"how": "not-a-fault", "at": edges[1]})
    story = week_story([], [old, untold, no_fault], WEEK)
    assert "Nothing" in plain(story.worse)
    assert "Nothing" in plain(story.better)
    assert "Nothing" in plain(story.done)
    many = week_story([row(f"S{number}", 0.3) for number in range(7)], [], WEEK)
    assert plain(many.worse).count("fixed") == MOST_NAMED
    assert plain(many.worse).endswith("; and 3 more.")
