"""What is new: since an instant, and since the last message."""

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from arcdrift.digest.told import Told
from tests.digest.digest_rows import NOW, at, check, digest, found, rows, said, splice, view

CLOSES = {"how": "cured", "at": "2026-11-17T12:00:00Z", "why": "blade rotated on 12 Nov 2026"}


def changes(**given: Any) -> list[tuple[str, str]]:
    return [(one.id, one.change) for one in digest(rows(**given)).cases]


def test_nothing_is_new_where_nothing_happened() -> None:
    old = view(found("a", at(10)))

    def slow() -> dict[str, str]:
        raise AssertionError("verdicts are not needed")

    checks = [check(16), check(17, status="checked")]
    empty = digest(rows(cases=[old], check_days=checks, verdicts=slow))
    assert not empty.has_news
    assert empty.open_cases == 1


@pytest.mark.parametrize(
    ("document", "statements", "change"),
    [
        (found("a", at(17)), [], "new"),
        (found("a", at(10)), [said("a", "take", at(17))], "taken-on"),
        (found("a", at(10)), [said("a", "take", at(12)), said("a", "done", at(17))], "done"),
        (found("a", at(10)), [said("a", "close", at(17), how="accepted")], "closed"),
        (found("a", at(10), resolution=CLOSES), [], "closed"),
        (
            found("a", at(10)),
            [said("a", "close", at(12), how="accepted"), said("a", "reopen", at(17))],
            "reopened",
        ),
        (found("a", at(10)), [said("a", "take", at(16, 23))], None),
        (found("a", at(10), told=False), [], None),
    ],
)
def test_what_happened_to_a_case_since_an_instant(
    document: dict[str, Any], statements: list[Any], change: str | None
) -> None:
    told = changes(cases=[view(document, *statements)])
    assert told == ([] if change is None else [("a", change)])


def test_a_case_that_came_back_is_told() -> None:
    again = {"began": "2026-11-16T08:00:00Z", "seen": "2026-11-17T08:00:00Z",
             "until": "2026-11-17T08:00:00Z"}  # fmt: skip
    document = found("a", at(3))
    document["episodes"].append(again)
    document["until"] = again["until"]
    closed = said("a", "close", at(5), how="cured")
    assert changes(cases=[view(document, closed)]) == [("a", "reopened")]


def test_a_result_is_told_on_the_day_it_can_be_told() -> None:
    workdays = [f"2026-11-{day:02d}" for day in (11, 12, 13, 16, 17)]
    document = found("a", at(6), until="2026-11-10T12:00:00Z", until_day="2026-11-10",
                     workdays=workdays)  # fmt: skip
    # cured, but a person opened it again, so that it does not close itself
    case = view(document, said("a", "done", at(10, 8)))
    case["state"] = "waiting"
    case["closed"] = None
    assert case["result"]["verdict"] == "cured"
    assert changes(cases=[case], workdays={"a": workdays}) == [("a", "result")]
    assert changes(cases=[case], workdays={"a": workdays[:4]}) == []


def test_a_case_found_late_is_new_although_it_was_there_to_be_seen() -> None:
    case = view(found("a", at(10)))
    assert changes(cases=[case], first_found={"a": at(17, 20)}) == [("a", "new")]
    assert changes(cases=[case], first_found={"a": at(11)}) == []


def test_checks_not_in_time_and_splices_to_revisit_since_an_instant() -> None:
    made = digest(
        rows(
            check_days=[
                check(16), check(17), check(17, "Dunlin", "late"), check(17, "C", "no-work")
            ],
            revisit=[
                splice(at(17), 1), splice(at(16), 2), splice(at(17), 3, "ticked-off"),
                splice(at(17), 4, "made-again"),
            ],
        )
    )  # fmt: skip
    assert [(one.splicer, one.status) for one in made.checks] == [
        ("Dunlin", "late"), ("Heron", "missed"),
    ]  # fmt: skip
    assert [one.splice_id for one in made.splices] == [1]


def test_old_records_are_told_once() -> None:
    newest = at(13, 12)
    first = digest(rows(newest_record=newest))
    assert (first.data_old, first.data_old_is_news, first.has_news) == (True, True, True)
    assert not digest(rows(newest_record=newest), since=at(17, 13)).data_old_is_news
    assert not digest(rows(newest_record=newest), told=first.told).has_news
    fresh = digest(rows(newest_record=at(15)), told=first.told)
    assert not fresh.data_old
    assert digest(rows(newest_record=newest), told=fresh.told).data_old_is_news
    assert not digest(rows(newest_record=None)).data_old


def test_what_was_told_is_not_told_again_and_what_was_imported_late_is() -> None:
    before = rows(
        cases=[view(found("a", at(17)))], check_days=[check(17)], revisit=[splice(at(17))]
    )
    first = digest(before)
    assert first.has_news
    told = Told.from_json(first.told.to_json())
    assert told == first.told
    assert not digest(before, told=told).has_news
    late = rows(
        cases=[view(found("a", at(17))), view(found("b", at(3)))],
        check_days=[check(17), check(9, "Dunlin", "late")],
        # an import that was undone and repeated gives its splices other numbers
        revisit=[splice(at(17), 99), splice(at(8), 100)],
    )
    second = digest(late, told=told)
    assert [(one.id, one.change) for one in second.cases] == [("b", "new")]
    assert [one.splicer for one in second.checks] == ["Dunlin"]
    assert [one.splice_id for one in second.splices] == [100]
    assert not digest(late, told=second.told).has_news


def test_a_late_check_or_splice_of_long_ago_is_not_told() -> None:
    told = digest(rows()).told
    old = rows(
        check_days=[check(1) | {"day": "2026-08-01"}],
        revisit=[splice(at(1) - timedelta(days=100))],
    )
    assert not digest(old, told=told).has_news


def test_checks_are_told_although_the_last_message_was_sent_under_a_clock_a_year_ahead() -> None:
    wrong = digest(rows(), now=NOW + timedelta(days=365)).told
    made = digest(rows(check_days=[check(17)], revisit=[splice(at(17))]), told=wrong)
    assert (len(made.checks), len(made.splices)) == (1, 1)


@pytest.mark.parametrize(
    ("statements", "change"),
    [
        ([said("a", "take", at(12))], "taken-on"),
        ([said("a", "take", at(12)), said("a", "done", at(12, 13))], "done"),
        ([said("a", "close", at(12), how="accepted")], "closed"),
        ([said("a", "close", at(12), how="accepted"), said("a", "reopen", at(12, 13))], "reopened"),
    ],
)
def test_what_happened_to_a_case_since_it_was_told(statements: list[Any], change: str) -> None:
    told = digest(rows(cases=[view(found("a", at(10)))])).told
    made = digest(rows(cases=[view(found("a", at(10)), *statements)]), told=told)
    assert [one.change for one in made.cases] == [change]


def test_a_case_that_closed_itself_on_a_day_before_the_last_message_is_told() -> None:
    told = digest(rows(cases=[view(found("a", at(1)))])).told
    closed = view(found("a", at(1), resolution=CLOSES | {"at": "2026-11-09T12:00:00Z"}))
    assert [one.change for one in digest(rows(cases=[closed]), told=told).cases] == ["closed"]
    # but one of which the reader never heard, and which is over, is not
    assert not digest(rows(cases=[closed]), told=digest(rows()).told).has_news


def test_a_case_that_absorbed_a_told_one_is_not_new() -> None:
    told = digest(rows(cases=[view(found("a", at(10)))])).told
    grown = view(found("b", at(9), absorbed=["a"]))
    assert not digest(rows(cases=[grown]), told=told).has_news


def test_a_reader_of_some_subjects_hears_of_them_alone() -> None:
    given = rows(
        cases=[
            view(found("a", at(17))),
            view(found("b", at(17), subject={"type": "splicer", "id": "Heron"})),
        ],
        check_days=[check(17)], revisit=[splice(at(17))],
        verdicts=lambda: {"Dunlin": "recalibrate", "Heron": "keep-working"},
    )  # fmt: skip
    made = digest(given, subjects=["Heron"])
    assert [one.id for one in made.cases] == ["b"]
    assert [one.splicer for one in made.checks] == ["Heron"]
    assert made.splices == ()
    assert made.verdicts == (("keep-working", ("Heron",)),)
    assert set(made.told.cases) == {"b"}


@given(st.permutations(range(6)))
def test_the_order_of_rows_changes_nothing(order: list[int]) -> None:
    cases = [view(found(name, at(17, hour))) for hour, name in enumerate("abcdef")]
    checks = [check(17, f"S{number}") for number in range(6)]
    first = digest(rows(cases=cases, check_days=checks))
    mixed = digest(rows(cases=[cases[n] for n in order], check_days=[checks[n] for n in order]))
    assert first.told == mixed.told
    assert first.checks == mixed.checks
    assert {one.id for one in first.cases} == {one.id for one in mixed.cases}


def test_a_digest_never_tells_of_what_lies_after_it() -> None:
    made = digest(
        rows(cases=[view(found("a", at(10)))], first_found={"a": NOW + timedelta(days=9)})
    )
    assert [one.change for one in made.cases] == [
        "new"
    ]  # found under a wrong clock: told, not lost
