"""The subject of a planted rise is named, and nobody for what a machine did.

The full study is ``python -m tests.recovery.naming_study``.
"""

import pytest

from tests.recovery.naming_study import try_kind, try_splicer


@pytest.mark.parametrize("workdays", [0, pytest.param(4, marks=pytest.mark.long)])
def test_a_splicer_that_rises_when_its_electrodes_were_replaced_is_named(workdays: int) -> None:
    outcome = try_splicer(302, workdays, 1.7)
    assert outcome is not None
    assert outcome.first
    assert not outcome.person
    # the size that is told is not that of the capped losses, which is 1.54
    assert outcome.ratio == pytest.approx(1.7, abs=0.25)


@pytest.mark.parametrize(
    "kind", ["technician", *(pytest.param(k, marks=pytest.mark.long) for k in
    ("cleaver", "program", "site", "crew"))],
)  # fmt: skip
def test_other_subjects_are_named_too(kind: str) -> None:
    outcome = try_kind(kind, 301, 1.7)
    assert outcome is not None
    assert outcome.findings == 1
    assert outcome.named
    # every cleaver of this crew stays with one splicer, so that both are told
    assert outcome.first == (kind != "cleaver")
    assert not outcome.person
