"""Use of a splicer's electrodes: the arcs on each pair, and its replacements."""

from dataclasses import dataclass

import numpy as np

from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.crew.faults import faults_of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.arc_checks import replacement_days

MORNING_ARCS = 5
"""Cleaning and test arcs of each morning (invented)."""
REARC_SHARE = 0.03
"""Share of splices that take a second arc (invented)."""


@dataclass(frozen=True)
class ElectrodeUse:
    """The electrodes of one splicer during the simulation.

    Attributes
    ----------
    splice_arcs : ndarray of float
        Arcs on the electrodes after each splice.
    replaced_days : ndarray of int
        Days on whose morning the electrodes were replaced.
    arcs_on_old_pairs : ndarray of float
        Arcs on the old pair at each replacement.
    pair : ndarray of int
        Index of the electrode pair in use on each day.
    arcs_at_replacement : ndarray of float
        Arcs of the splicer, from the first day on, at which the pair of each day was new;
        negative for the pair from before.
    """

    splice_arcs: Floats
    replaced_days: Ints
    arcs_on_old_pairs: Floats
    pair: Ints
    arcs_at_replacement: Floats
    _morning_arcs: Floats
    _cumulative_arcs: Floats

    def check_arcs(
        self, check_day: Ints, splices_before_check: Ints, splices_before_day: Ints
    ) -> Floats:
        """Return the arcs on the electrodes at checks, from the splices made before them."""
        done = self._cumulative_arcs[splices_before_check]
        return self._morning_arcs[check_day] + done - self._cumulative_arcs[splices_before_day]


def use_electrodes(
    scenario: Scenario,
    splicer: SplicerSpec,
    splice_day: Ints,
    midnight: Ints,
    rng: np.random.Generator,
) -> ElectrodeUse:
    """Count the arcs on each electrode pair, and replace it when it reaches its limit.

    Parameters
    ----------
    scenario : Scenario
        With its faults, which may delay or prevent replacements.
    splicer : SplicerSpec
        The splicer.
    splice_day : ndarray of int
        Day of each splice, as an index into `midnight`.
    midnight : ndarray of int
        Local midnight of each day, seconds since 1970 UTC.
    rng : Generator
        Random numbers of this splicer.
    """
    days = len(midnight)
    arcs = 1.0 + (rng.random(len(splice_day)) < REARC_SHARE)
    arcs_by_day = np.bincount(splice_day, arcs, minlength=days)
    arcs_before_day = np.r_[0.0, (arcs_by_day + MORNING_ARCS).cumsum()[:-1]]
    limits = _replacement_limits(scenario, splicer, midnight)
    replaced_days = replacement_days(arcs_before_day, limits, splicer.arcs_at_start)
    pair = np.searchsorted(replaced_days, np.arange(days), side="right")
    at_replacement = np.r_[-float(splicer.arcs_at_start), arcs_before_day[replaced_days]][pair]
    morning_arcs = arcs_before_day - at_replacement + MORNING_ARCS
    within_day = arcs.cumsum() - np.r_[0.0, arcs_by_day.cumsum()][splice_day]
    return ElectrodeUse(
        splice_arcs=morning_arcs[splice_day] + within_day,
        replaced_days=replaced_days,
        arcs_on_old_pairs=arcs_before_day[replaced_days] - at_replacement[replaced_days - 1],
        pair=pair,
        arcs_at_replacement=at_replacement,
        _morning_arcs=morning_arcs,
        _cumulative_arcs=np.r_[0.0, arcs.cumsum()],
    )


def _replacement_limits(scenario: Scenario, splicer: SplicerSpec, midnight: Ints) -> Floats:
    """Return the arcs at which electrodes would be replaced on the morning of each day."""
    life = scenario.model_of(splicer).electrode_life_arcs
    rng = scenario.rng("electrodes", splicer.name)
    limits = life * (1.0 + 0.02 * rng.normal(size=len(midnight)))
    for fault in faults_of_kind(scenario.faults, "electrodes-late", splicer.name):
        limits[fault.active(midnight, scenario.time_zone)] = fault.size
    for fault in faults_of_kind(scenario.faults, "electrodes-kept", splicer.name):
        limits[fault.active(midnight, scenario.time_zone)] = np.inf
    return np.asarray(limits)
