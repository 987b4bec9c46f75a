"""Use of a cleaver's blade: which position, how many cleaves on it, when it was turned."""

from dataclasses import dataclass

import numpy as np

from arcdrift.arrays import Floats, Ints, Microseconds
from arcdrift.simulate.crew.faults import of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.arc_checks import renewals

CLEAVES_A_POSITION = 1000
"""Cleaves a blade position is good for (common practice, no source)."""
POSITIONS = 16


@dataclass(frozen=True)
class Blade:
    """The blade of one splicer's cleaver over its days."""

    cleaves: Floats
    """Cleaves on the blade position at each splice."""
    position: Ints
    """Blade position at each splice."""
    turned: Ints
    """Days on whose morning the blade was turned."""
    at_turn: Ints
    """Position it was turned to; 1 means a new blade."""


def use_blade(scenario: Scenario, splicer: SplicerSpec, row: Ints, midnight: Microseconds) -> Blade:
    """Count cleaves and turn the blade when it is due.

    Parameters
    ----------
    scenario : Scenario
        Its faults may leave a blade unturned.
    splicer : SplicerSpec
        Whose cleaver it is.
    row : ndarray of int
        Day of each splice, as a position in `midnight`.
    midnight : ndarray of int
        Local midnight of each day, seconds since 1970 UTC.
    """
    days = len(midnight)
    rng = scenario.rng("blade", splicer.cleaver)
    cleaves = 2.0 + (rng.random(len(row)) < 0.06)
    by_day = np.bincount(row, cleaves, minlength=days)
    used = np.r_[0.0, by_day.cumsum()[:-1]]
    limits = CLEAVES_A_POSITION * (1.0 + 0.1 * rng.normal(size=days))
    for fault in of_kind(scenario.faults, "blade-overdue", splicer.cleaver):
        limits[fault.active(midnight, scenario.time_zone)] = np.inf
    start = float(rng.integers(0, CLEAVES_A_POSITION))
    turned = renewals(used, limits, start)
    turn = np.searchsorted(turned, np.arange(days), side="right")
    zero = np.r_[-start, used[turned]][turn]
    position = (splicer.blade_position - 1 + np.arange(len(turned) + 1)) % POSITIONS + 1
    return Blade(cleaves.cumsum() - zero[row], position[turn][row], turned, position[1:])
