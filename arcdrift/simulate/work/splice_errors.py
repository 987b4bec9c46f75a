"""Errors of splices: their reasons, what held the fibers, and the errors that faults add.

All shares are invented. They are drawn from streams of random numbers of their own, so that
everything else in a log is the same with and without them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.simulate.crew.faults import Fault, FaultKind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.splice_losses import SpliceResults

CLAMP, HOLDER = "clamp", "holder"
REASONS: Mapping[str, float] = {
    "cleave_angle": 0.27, "cleave_shape": 0.17, "fiber_position": 0.11, "fiber_not_seen": 0.23,
    "alignment": 0.08, "arc": 0.05, "stopped": 0.09,
}  # fmt: skip
"""Share of each class (`arcdrift.error_reasons.CLASSES`) in the errors of a healthy crew."""
WORDS: tuple[Mapping[str, str], ...] = (
    {
        "cleave_angle": "Cleave angle {side}", "cleave_shape": "Cleave shape {side}",
        "fiber_position": "Fiber position {side}", "fiber_not_seen": "Dust on fiber {side}",
        "alignment": "Alignment out of range", "arc": "Arc failed", "stopped": "Stopped by user",
    },
    {
        "cleave_angle": "E03 CLEAVE ANGLE {side}", "cleave_shape": "E04 BAD CLEAVE {side}",
        "fiber_position": "E07 FIBER POS {side}", "fiber_not_seen": "E05 NO FIBER {side}",
        "alignment": "E11 CORE OFFSET", "arc": "E21 DISCHARGE", "stopped": "E00 RESET",
    },
)  # fmt: skip
"""What a splicer logs, by class; models take turns."""
SIDES = (("left", "right"), ("L", "R"))
"""The sides in these words."""
_NOT_LOGGED = 0.04
"""Share of errors without a reason."""
_STEEP_DEG = 4.0
"""An error with an angle above this is one of cleave angle."""
ADDED: Mapping[FaultKind, Mapping[str, float]] = {
    "fiber-position": {"fiber_position": 1.0},
    "careless-loading": {"fiber_position": 1.0},
    "blade-chipped": {"cleave_shape": 0.6, "cleave_angle": 0.4},
    "site-dusty": {"fiber_not_seen": 1.0},
    "holder-worn": {"fiber_position": 0.5, "cleave_angle": 0.5},
    "haste": {"fiber_position": 0.4, "cleave_angle": 0.3, "fiber_not_seen": 0.3},
}
"""Faults that add errors, with the share of each class in these."""
LEANING = 0.9
"""Share of the usual errors that get the reason of a fault of size 0."""
HASTE_ERRORS = HOLDER_ERRORS = 0.015
"""Share of splices that fail more in haste, and with worn holders."""
DUSTY_DAYS = 0.4
"""Share of days on which there is dust at a dusty site."""
_LONGEST_GAP_S = 1200


@dataclass(frozen=True)
class Circumstances:
    """What decides which faults act on a splice; one entry per splice."""

    times: Ints
    """Seconds since 1970 UTC."""
    day: Ints
    """Calendar day of the simulation."""
    technician: Ints
    site: Ints
    blade_position: Ints
    holding: npt.NDArray[np.object_]


def draw_holding(
    scenario: Scenario, splicer: SplicerSpec, times: Ints, day: Ints, technician: Ints
) -> npt.NDArray[np.object_]:
    """Draw what held the fibers: the same all day for one person on one splicer."""
    share = np.array([t.holder_share for t in scenario.technicians])[technician]
    for fault in scenario.faults:
        if fault.kind == "holder-habit":
            acts = fault.active(times, scenario.time_zone)
            share = np.where(acts & _is_person(scenario, fault, technician), 1.0, share)
    people = len(scenario.technicians)
    chance = scenario.rng("holding", splicer.name).random((scenario.days, people))
    return np.where(chance[day, technician] < share, HOLDER, CLAMP).astype(object)


def acts_on(
    scenario: Scenario, splicer: SplicerSpec, fault: Fault, splices: Circumstances
) -> Bools:
    """Return the splices of one splicer on which a fault of `ADDED` acts."""
    active = fault.active(splices.times, scenario.time_zone)
    if fault.kind == "fiber-position":
        return active if fault.subject == splicer.name else np.zeros(len(active), bool)
    if fault.kind == "blade-chipped":
        position = chipped_position(scenario, splicer, fault, splices.times, splices.blade_position)
        return np.asarray(active & (splices.blade_position == position))
    if fault.kind == "site-dusty":
        dusty = scenario.rng("dusty days", fault.subject).random(scenario.days) < DUSTY_DAYS
        here = np.array([site.name == fault.subject for site in scenario.sites])[splices.site]
        return np.asarray(active & here & dusty[splices.day])
    if fault.kind == "holder-worn":
        return np.asarray(active & (splices.holding == HOLDER))
    affected = active & _is_person(scenario, fault, splices.technician)
    return affected & fast_hours(splices) if fault.kind == "haste" else affected


def chipped_position(
    scenario: Scenario, splicer: SplicerSpec, fault: Fault, times: Ints, blade_position: Ints
) -> int:
    """Return the blade position in use when a fault begins; -1 on another cleaver."""
    active = fault.active(times, scenario.time_zone)
    if fault.subject != splicer.cleaver or not active.any():
        return -1
    return int(blade_position[active][0])


def fast_hours(splices: Circumstances) -> Bools:
    """Return the splices in the fastest third of each person's hours on this splicer."""
    gap = np.diff(splices.times, prepend=splices.times[:1]).astype(np.float64)
    first = np.diff(splices.day, prepend=-1) != 0
    gap[first | (gap > _LONGEST_GAP_S)] = np.nan
    people = int(splices.technician.max(initial=0)) + 1
    hour, of_splice = np.unique(
        splices.times // 3600 * people + splices.technician, return_inverse=True
    )
    known = np.isfinite(gap)
    count = np.bincount(of_splice[known], minlength=len(hour))
    total = np.bincount(of_splice[known], gap[known], minlength=len(hour))
    mean = np.full(len(hour), np.inf)
    np.divide(total, count, out=mean, where=count > 0)
    fast = np.zeros(len(hour), bool)
    for person in np.unique(hour % people):
        own = hour % people == person
        fast[own] = mean[own] <= np.quantile(mean[own], 1 / 3)
    return np.asarray(fast[of_splice])


def draw_errors(
    scenario: Scenario, splicer: SplicerSpec, results: SpliceResults, splices: Circumstances
) -> SpliceResults:
    """Add the errors of faults, and say of every error why, as the splicer logs it."""
    n = len(splices.times)
    rng = scenario.rng("error reasons", splicer.name)
    chance, missing, side = rng.random(n), rng.random(n), rng.random(n)
    left, right = results.cleave_left_deg, results.cleave_right_deg
    failed = results.outcome == "error"
    steep = np.maximum(left, right) > _STEEP_DEG
    reason = np.where(steep, "cleave_angle", _classes(REASONS, chance))
    for number, fault in enumerate(scenario.faults):
        if fault.kind not in ADDED:
            continue
        own = scenario.rng("errors of a fault", splicer.name, str(number))
        more, which, leans = own.random(n), own.random(n), own.random(n)
        hit = acts_on(scenario, splicer, fault, splices)
        share = {"haste": HASTE_ERRORS, "holder-worn": HOLDER_ERRORS}.get(fault.kind, fault.size)
        leaning = hit & failed & (leans < LEANING) & (share == 0)
        added = hit & ~failed & (more < share)
        classes = _classes(ADDED[fault.kind], which)
        reason = np.where(leaning | added, classes, reason)
        failed = failed | added
    left_side = np.where(left == right, side < 0.5, left > right)
    left_side = np.where(reason == "cleave_angle", left_side, side < 0.5)
    style = [model.name for model in scenario.models].index(splicer.model) % len(WORDS)
    texts = np.full(n, None, object)
    for name, text in WORDS[style].items():
        at = failed & (reason == name) & (missing >= _NOT_LOGGED)
        of_left, of_right = (text.format(side=end) for end in SIDES[style])
        texts[at] = np.where(left_side[at], of_left, of_right)
    return replace(
        results,
        loss_db=np.where(failed, np.nan, results.loss_db),
        core_offset_um=np.where(failed, np.nan, results.core_offset_um),
        outcome=np.where(failed, "error", results.outcome).astype(object),
        error_reason=texts,
    )


def _classes(shares: Mapping[str, float], chance: Floats) -> npt.NDArray[np.object_]:
    """Class of each splice by its chance, which is uniform between 0 and 1."""
    ends = np.cumsum(list(shares.values()))
    return np.array(list(shares), object)[np.searchsorted(ends[:-1], chance)]


def _is_person(scenario: Scenario, fault: Fault, technician: Ints) -> Bools:
    return np.array([t.name == fault.subject for t in scenario.technicians])[technician]
