"""Weather and travel that hurt nobody raise no finding about readings or clocks."""

from pathlib import Path

import pytest

from arcdrift.simulate import invented_crew, load_plan
from arcdrift.simulate.crew.fault_plans import add_faults
from tests.recovery.crews import run_crew

PLAN = """
[[faults]]
kind = "site-move"
start = 15
end = 24
target = "Pass"
[[faults]]
kind = "cold-front"
start = 28
end = 32
size = 14
"""


@pytest.mark.long  # the sample has both, see tests/recovery/test_sample_crew.py
def test_a_move_uphill_and_a_cold_front_are_neither_gap_nor_wrong_clock(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    run = run_crew(add_faults(invented_crew(splicers=2, days=40, seed=4), load_plan(str(path))))
    assert sorted(fault["kind"] for fault in run.made.truth.faults) == ["cold-front", "site-move"]
    assert run.findings  # a month of work leaves something to tell
    assert not [f for f in run.findings if f.kind in ("readings-gap", "clock-wrong")]
