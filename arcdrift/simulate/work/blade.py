"""Use of a cleaver's blade: its position, the cleaves on that position, and its turns."""

from dataclasses import dataclass

import numpy as np

from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.crew.faults import faults_of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.arc_checks import replacement_days

CLEAVES_PER_POSITION = 1000
"""Cleaves after which a blade is turned to its next position (common practice, no source)."""
POSITIONS = 16
"""Positions of a blade (common practice, no source)."""


@dataclass(frozen=True)
class Blade:
    """The blade of one splicer's cleaver during the simulation."""

    cleaves: Floats
    """Cleaves on the blade position at each splice."""
    position: Ints
    """Blade position at each splice."""
    turned: Ints
    """Days on whose morning the blade was turned."""
    turned_to: Ints
    """Position after each of these turns; 1 means a new blade."""


def use_blade(scenario: Scenario, splicer: SplicerSpec, day_index: Ints, midnight: Ints) -> Blade:
    """Count the cleaves on each blade position, and turn the blade when it is due.

    Parameters
    ----------
    scenario : Scenario
        With its faults, which may keep a blade from being turned.
    splicer : SplicerSpec
        The splicer that the cleaver belongs to.
    day_index : ndarray of int
        Day of each splice, as an index into `midnight`.
    midnight : ndarray of int
        Local midnight of each day, seconds since 1970 UTC.
    """
    days = len(midnight)
    rng = scenario.rng("blade", splicer.cleaver)
    cleaves = 2.0 + (rng.random(len(day_index)) < 0.06)
    cleaves_by_day = np.bincount(day_index, cleaves, minlength=days)
    cleaves_before_day = np.r_[0.0, cleaves_by_day.cumsum()[:-1]]
    limits = CLEAVES_PER_POSITION * (1.0 + 0.1 * rng.normal(size=days))
    for fault in faults_of_kind(scenario.faults, "blade-overdue", splicer.cleaver):
        limits[fault.active(midnight, scenario.time_zone)] = np.inf
    start = float(rng.integers(0, CLEAVES_PER_POSITION))
    turned = replacement_days(cleaves_before_day, limits, start)
    turn_index = np.searchsorted(turned, np.arange(days), side="right")
    cleaves_at_last_turn = np.r_[-start, cleaves_before_day[turned]][turn_index]
    position = (splicer.blade_position - 1 + np.arange(len(turned) + 1)) % POSITIONS + 1
    return Blade(
        cleaves=cleaves.cumsum() - cleaves_at_last_turn[day_index],
        position=position[turn_index][day_index],
        turned=turned,
        turned_to=position[1:],
    )
