"""One cause on one subject is one case."""

import pytest

from arcdrift.analysis.cases.case_groups import CaseGroup, case_groups
from arcdrift.finding import KINDS, Finding
from tests.analysis.cases.made_up_findings import DUST, day, finding, records

RECORDS = records()


def groups(*findings: Finding) -> list[CaseGroup]:
    return case_groups(findings, RECORDS.cleavers)


def keys(*findings: Finding) -> list[tuple[str, str, str]]:
    return [group.key for group in groups(*findings)]


def test_a_cleavers_angles_bad_runs_and_dirty_splices_are_one_case() -> None:
    blade = "cleaving: the blade, in all hands"
    found = groups(
        finding("cleave-raised", "C0", about="cleaver"),
        finding("cleave-run", "Person 0", 2, 8, about="technician"),
        finding("loss-dirty", "Dunlin", 3, 9, cause=blade),
    )
    assert [group.key for group in found] == [("cleave", "cleaver", "C0")]
    assert len(found[0].findings) == 3


def test_what_is_another_cleavers_or_of_another_time_stays_apart() -> None:
    blade = "cleaving: the blade, in all hands"
    found = keys(
        finding("cleave-raised", "C0", about="cleaver"),
        finding("loss-dirty", "Heron", 3, 9, cause=blade),
        finding("loss-dirty", "Dunlin", 80, 90, cause=blade),
    )
    assert found == [
        ("cleave", "cleaver", "C0"), ("loss", "splicer", "Heron"), ("loss", "splicer", "Dunlin"),
    ]  # fmt: skip


def test_the_streams_of_a_splicer_are_one_case_about_it() -> None:
    found = groups(
        finding("loss-raised", "Dunlin / fixed", about="stream", cause=DUST),
        finding("loss-raised", "Dunlin / adaptive", 4, 12, about="stream", cause="cannot tell"),
        finding("loss-scattered", "Dunlin", 5, 6),
        finding("loss-over-limit", "Dunlin / fixed", 1, 9, about="stream", mean_db=0.12),
    )
    assert [group.key for group in found] == [("loss", "splicer", "Dunlin")]
    assert (found[0].began, found[0].until) == (day(0), day(12))


def test_loss_whose_cause_is_the_arc_belongs_to_the_arc_of_its_time() -> None:
    arc = "arc: the setting does not suit the air or the electrodes"
    drift = finding("arc-drift", first=5, last=40, onset=0)
    raised = finding("loss-raised", "Dunlin / fixed", 8, 20, about="stream", cause=arc)
    worn = finding("electrodes-worn", first=30, last=40)
    assert keys(drift, raised, worn) == [("arc", "splicer", "Dunlin")]
    assert len(keys(drift, finding("loss-raised", first=8, last=20, cause=DUST))) == 2
    assert keys(raised) == [("loss", "splicer", "Dunlin")]
    assert keys(finding("electrodes-worn")) == [("electrodes", "splicer", "Dunlin")]


def test_a_persons_rise_on_any_splicer_is_the_persons() -> None:
    found = keys(
        finding("cleave-raised", "Hemlock", 0, 90, about="technician"),
        finding("prep-inconsistent", "Hemlock", 0, 90, about="technician"),
        finding("cleave-run", "Hemlock", 1, 88, about="technician"),
        finding("loss-raised", "Heron", 30, 31, cause="a change of hands: Hemlock"),
        finding("loss-dirty", "Hemlock", 40, 50, about="technician",
                cause="one technician's splices: Hemlock"),
    )  # fmt: skip
    assert found == [("hand", "technician", "Hemlock")]


def test_a_fault_that_comes_back_soon_is_the_same_case_and_later_another() -> None:
    first = finding("loss-raised", first=0, last=10)
    assert len(keys(first, finding("loss-raised", first=65, last=70))) == 1
    assert len(keys(first, finding("loss-raised", first=75, last=80))) == 2
    (again,) = groups(first, finding("loss-raised", first=65, last=70))
    assert [(one.began, one.until) for one in again.episodes] == [
        (day(0), day(10)), (day(65), day(70)),
    ]  # fmt: skip


def test_less_loss_belongs_to_the_rise_that_it_ends() -> None:
    raised = finding("loss-raised", first=0, last=10, cause=DUST)
    assert keys(raised, finding("loss-lowered", first=15, last=20, onset=12)) == [
        ("loss", "splicer", "Dunlin")
    ]
    assert keys(finding("loss-lowered")) == [("better", "splicer", "Dunlin")]


def test_single_splices_over_the_limit_are_no_case() -> None:
    assert keys(finding("loss-over-limit", "Dunlin / a", about="stream", single_limit_db=0.3)) == []


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_of_finding_has_a_case(kind: str) -> None:
    (group,) = groups(finding(kind))
    assert group.findings[0].kind == kind
