"""Charts of cleave angles on two simulated crews: healthy ones stay quiet, a dull blade is found.

The full study is ``python -m tests.recovery.cleave_study``.
"""

import pytest

from arcdrift.simulate import invented_crew, simulate_frames
from tests.recovery.cleave_study import plant, restless, rises, technician_days


@pytest.mark.parametrize("seed", [731, pytest.param(732, marks=pytest.mark.long)])
def test_a_healthy_crew_is_quiet_and_a_dull_blade_is_found_within_days(seed):
    crew = invented_crew(splicers=6, days=150, seed=seed)
    cells = technician_days(simulate_frames(crew))
    found, alarms, _ = rises(cells, 2.0)
    assert (found, alarms) == ([], 0)
    for name, days in (("cleaver x1.3", 4), ("cleaver x1.5, gradual", 12)):
        outcome = plant(cells, seed, name)
        assert outcome.found
        assert outcome.days_to_alarm <= days
        assert not outcome.person_wrongly
    # days that differ more than splices do: ten times the budget to have alarms to count
    _, alarms, allowed = rises(restless(cells, seed, correlation=0.0, drift=0.0), 20.0)
    assert alarms <= 3.0 * allowed
