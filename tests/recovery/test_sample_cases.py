"""The sample crew's planted faults are about ten cases, and nothing that was found is lost.

Truth: data/sample/truth.json, written by the simulator, never read by the analyses.
"""

from datetime import datetime, timedelta
from typing import Any

import pytest

from arcdrift.analysis.cases.case_keys import is_revisit_finding
from arcdrift.analysis.cases.cases_from_store import read_cases
from arcdrift.cli.commands.cases import listed_cases
from arcdrift.finding import Finding
from arcdrift.store.cases.revisit_rows import read_revisit
from tests.recovery.conftest import Sample

Case = dict[str, Any]
CAUSES = {
    "careless": "hand", "checks-skipped": "checks", "arc-drift": "arc", "arc-step": "arc",
    "v-grooves-dirty": "loss", "electrodes-late": "electrodes", "blade-overdue": "cleave",
    "check-failed": "failed-check", "readings-gap": "readings",
}  # fmt: skip
"""Cause of the case that each kind of planted fault must be."""


@pytest.fixture(scope="module")
def cases(sample: Sample) -> list[Case]:
    return read_cases(sample.engine)


ONLY_REASONS = {"fiber-position"}
"""Faults of the sample that show in the reasons of errors alone: a hint, and no case."""


def of_fault(cases: list[Case], kind: str, subject: str) -> list[Case]:
    return [
        case
        for case in cases
        if case["cause"] == CAUSES[kind]
        and case["subject"]["id"] == subject
        and (case["told"] or kind == "check-failed")  # one that is over is listed for a week
    ]


def test_each_planted_fault_is_one_case_and_what_is_harmless_is_none(
    sample: Sample, cases: list[Case]
) -> None:
    for fault in sample.truth["faults"]:
        if not fault["harmless"] and fault["kind"] not in ONLY_REASONS:
            found = of_fault(cases, fault["kind"], fault["subject"])
            near = [
                case for case in found
                if datetime.fromisoformat(case["until"]) >= datetime.fromisoformat(fault["since"])
            ]  # fmt: skip
            assert near, fault["kind"]
            if fault["kind"] != "electrodes-late":
                assert len(found) == 1, (fault["kind"], [case["title"] for case in found])


def test_there_are_about_ten(sample: Sample, cases: list[Case]) -> None:
    listed = listed_cases(cases, sample.review.now.to_pydatetime())
    assert 8 <= len(listed) <= 12
    assert sum(case["told"] for case in cases) <= 15
    assert sum(case["state"] != "closed" for case in listed) <= 6


def test_findings_of_cases_and_of_the_list_add_up(sample: Sample, cases: list[Case]) -> None:
    findings = {finding.id: finding for finding in sample.review.findings}
    evidence = [name for case in cases for name in case["findings"]]
    singles = [finding for finding in findings.values() if is_revisit_finding(finding)]
    assert sorted([*evidence, *(finding.id for finding in singles)]) == sorted(findings)
    for case in cases:
        assert all(findings[name].case_id == case["id"] for name in case["findings"])
    rows = [row for row in read_revisit(sample.engine) if row["state"] == "open"]
    assert len(rows) == sum(finding.evidence["splices"] for finding in singles)
    assert all(finding.case_id is None for finding in singles)


def test_hemlocks_angles_runs_scatter_and_dirt_are_one_case(
    sample: Sample, cases: list[Case]
) -> None:
    (case,) = of_fault(cases, "careless", "Hemlock")
    kinds = {finding.kind for finding in _evidence(sample, case)}
    assert {"cleave-raised", "cleave-run", "prep-inconsistent", "loss-dirty"} <= kinds
    assert case["state"] == "new"


def test_dust_that_was_cleaned_away_closes_itself_is_better_or_waits_for_its_result(
    sample: Sample, cases: list[Case]
) -> None:
    (case,) = of_fault(cases, "v-grooves-dirty", "Dunlin")
    assert case["title"].startswith("Dunlin: loss up ")
    result = case["result"]
    if case["state"] == "closed":
        assert (case["closed"]["how"], case["closed"]["by"]) == ("cured", None)
    elif result["verdict"] == "better":  # few days so far, an interval too wide for more
        assert abs(result["after"]) < 5.0 < 30.0 < result["before"]
        assert result["low"] < 0.0 < result["high"]
    else:
        assert (case["state"], result["verdict"]) == ("waiting", "too-early")
    (fault,) = sample.faults("v-grooves-dirty")
    (action,) = case["actions"]
    assert action["what"] == "v-grooves cleaned"
    done, until = (datetime.fromisoformat(text) for text in (action["at"], fault["until"]))
    assert abs(done - until) < timedelta(days=1)


def test_a_blade_that_was_turned_and_a_step_that_waits(cases: list[Case]) -> None:
    (blade,) = of_fault(cases, "blade-overdue", "C8")
    assert (blade["closed"]["how"], blade["actions"][0]["day"]) == ("cured", "2026-10-26")
    # the truth: angles are as usual again from the day on which the blade was turned
    result = blade["result"]
    assert result["verdict"] == "cured"
    assert result["low"] < 0 < result["high"] < result["before"] / 2
    (step,) = of_fault(cases, "arc-step", "Kestrel")
    assert step["state"] == "waiting"
    assert step["actions"][0]["what"] == "electrodes replaced"
    assert step["result"]["verdict"] == "too-early"
    (drift,) = of_fault(cases, "arc-drift", "Plover")
    assert (drift["state"], drift["actions"]) == ("new", [])


def test_a_fortnight_of_skipped_checks_is_a_habit_with_its_rate(
    sample: Sample, cases: list[Case]
) -> None:
    (case,) = of_fault(cases, "checks-skipped", "Tern")
    (fault,) = sample.faults("checks-skipped")
    since, began = (datetime.fromisoformat(text) for text in (case["since"], fault["since"]))
    assert abs(since - began) <= timedelta(days=5)
    assert case["rate"]["low"] > case["rate"]["usual"]


def _evidence(sample: Sample, case: Case) -> list[Finding]:
    return [finding for finding in sample.review.findings if finding.case_id == case["id"]]
