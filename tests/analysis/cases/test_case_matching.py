"""A case keeps its id while its evidence grows, moves, goes and comes back."""

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from arcdrift.analysis.cases.case_groups import case_groups
from arcdrift.analysis.cases.case_matching import MatchedCase, match_cases
from arcdrift.case import KeptCase
from arcdrift.finding import Finding
from tests.analysis.cases.made_up_findings import day, finding


def analyzed(findings: list[Finding], kept: dict[str, KeptCase]) -> list[MatchedCase]:
    """Match as an analysis does, and keep what it keeps."""
    matched = match_cases(case_groups(findings, lambda _: ()), list(kept.values()))
    kept |= {match.kept.id: match.kept for match in matched}
    return matched


def ids(matched: list[MatchedCase]) -> list[str]:
    return [match.kept.id for match in matched]


losses = st.builds(
    lambda name, first, length: finding("loss-raised", name, first, first + length),
    st.sampled_from(["Dunlin", "Heron"]),
    st.integers(0, 700),
    st.integers(0, 40),
)


@given(st.lists(losses, max_size=12, unique_by=lambda found: found.id), st.data())
def test_each_group_has_an_id_of_its_own_whatever_the_order_of_imports(
    findings: list[Finding], data: st.DataObject
) -> None:
    kept: dict[str, KeptCase] = {}
    seen: list[Finding] = []
    for found in data.draw(st.permutations(findings)):
        seen.append(found)
        matched = analyzed(seen, kept)
        assert len(set(ids(matched))) == len(matched)
    at_once = match_cases(case_groups(findings, lambda _: ()), [])
    assert [match.group for match in analyzed(findings, kept)] == [match.group for match in at_once]


@given(st.lists(losses, min_size=1, max_size=12, unique_by=lambda found: found.id))
def test_another_analysis_of_the_same_records_gives_the_same_ids(findings: list[Finding]) -> None:
    kept: dict[str, KeptCase] = {}
    first = ids(analyzed(findings, kept))
    before = dict(kept)
    assert ids(analyzed(findings, kept)) == first
    assert kept == before
    # a new store gives the same ids to the same records
    assert ids(analyzed(findings, {})) == first


@given(st.lists(losses, min_size=1, max_size=12, unique_by=lambda found: found.id), st.data())
def test_ids_come_back_after_an_undo_and_a_new_import(
    findings: list[Finding], data: st.DataObject
) -> None:
    kept: dict[str, KeptCase] = {}
    first = ids(analyzed(findings, kept))
    gone = data.draw(st.sets(st.integers(0, len(findings) - 1)))
    whole = [match.group for match in analyzed(findings, dict(kept))]
    analyzed([found for place, found in enumerate(findings) if place not in gone], kept)
    again = analyzed(findings, kept)
    assert [match.group for match in again] == whole
    # a case keeps its id, or one that its parts got meanwhile is told to be the same case
    for match, name in zip(again, first, strict=True):
        assert name in (match.kept.id, *match.absorbed)


@given(st.integers(0, 30), st.integers(0, 60), st.integers(-21, 21))
def test_growing_evidence_and_a_moved_onset_keep_the_id(
    length: int, growth: int, moved: int
) -> None:
    kept: dict[str, KeptCase] = {}
    (before,) = analyzed([finding("loss-raised", first=100, last=100 + length, onset=95)], kept)
    (after,) = analyzed(
        [finding("loss-raised", first=100 + moved, last=130 + growth, onset=95 + moved)], kept
    )
    assert after.kept.id == before.kept.id
    assert after.kept.first_seen == before.kept.first_seen == day(100)


@given(st.integers(61, 700))
def test_two_faults_of_one_subject_far_apart_are_two_cases(gap: int) -> None:
    kept: dict[str, KeptCase] = {}
    (first,) = analyzed([finding("loss-raised", first=0, last=10)], kept)
    both = analyzed(
        [
            finding("loss-raised", first=0, last=10),
            finding("loss-raised", first=10 + gap, last=800),
        ],
        kept,
    )
    assert ids(both)[0] == first.kept.id != ids(both)[1]


def test_a_case_that_a_person_spoke_about_gives_its_id_to_a_joined_one() -> None:
    kept: dict[str, KeptCase] = {}
    early, late = finding("loss-raised", first=0, last=5), finding("loss-raised", first=90, last=95)
    first, second = analyzed([early, late], kept)
    spoken = KeptCase(**vars(kept[second.kept.id]) | {"spoken": True})
    kept[spoken.id] = spoken
    (joined,) = analyzed([early, finding("loss-raised", first=45, last=50), late], kept)
    assert joined.kept.id == second.kept.id
    assert joined.absorbed == (first.kept.id,)


def test_a_case_of_redone_splices_goes_on_as_one_of_places() -> None:
    """Cases are kept by cause and subject: what they were counted by before does not matter."""
    share = {"share_since": 0.12, "share_expected": 0.05, "places_since": 300}
    kept = KeptCase(
        id="abc123", keys=(("loss", "splicer", "Dunlin"),), began=day(0), first_seen=day(2),
        until=day(5), spoken=True, title="Dunlin: 9 % of splices made again",
    )  # fmt: skip
    (found,) = analyzed([finding("first-time-lowered", first=3, last=8, **share)], {kept.id: kept})
    assert found.kept.id == "abc123"


def test_a_case_of_loss_that_turns_out_to_be_the_arcs_keeps_its_id() -> None:
    arc = "arc: the setting does not suit the air or the electrodes"
    kept: dict[str, KeptCase] = {}
    raised = finding("loss-raised", first=8, last=20, cause=arc)
    (alone,) = analyzed([raised], kept)
    drift = finding("arc-drift", first=18, last=25, onset=5)
    (joined,) = analyzed([raised, drift], kept)
    assert joined.group.key[0] == "arc"
    assert joined.kept.id == alone.kept.id
    # the records by which the loss was joined go, and both keys still lead to the case
    (left,) = analyzed([drift], kept)
    assert left.kept.id == alone.kept.id


def test_kept_times_follow_the_evidence() -> None:
    kept: dict[str, KeptCase] = {}
    analyzed([finding("loss-raised", first=10, last=12)], kept)
    (case,) = kept.values()
    assert case.until - case.began == timedelta(days=2)
    analyzed([finding("loss-raised", first=10, last=40)], kept)
    assert kept[case.id].until == day(40)
