"""Who makes each splice with which program, and what comes of it."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.crew.faults import of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec, TechnicianSpec
from arcdrift.simulate.work.blade import CLEAVES_A_POSITION, Blade
from arcdrift.simulate.work.geometry import mean_uneven_loss_db
from arcdrift.simulate.work.splice_losses import (
    BLADE_WEAR,
    MISMATCH_SHARE,
    Conditions,
    Made,
    day_factors,
    make_splices,
)

USUAL_DEG, USUAL_LOG_SD = 0.7, 0.45
"""Cleave angle of an ordinary technician: median and spread (invented)."""
_WORST_BLADE = float(np.log(4.0))
"""However long a blade is used, angles rise no further than fourfold (invented)."""
_LEAST_SHARE = 0.3
"""Whatever geometry costs, so much of a program's mean loss is left to scatter."""


@dataclass(frozen=True)
class Place:
    """When and on what the splices of one splicer are made; one entry a splice."""

    at: Ints
    """Seconds since 1970 UTC."""
    row: Ints
    """Position of the day."""
    worn: Floats
    """Arcs on the electrodes."""
    mismatch: Floats
    """Setting needed less setting in force, in the splicer's unit."""
    blade: Blade


@dataclass(frozen=True)
class Work:
    """Splices made; one entry a splice."""

    place: Place
    person: Ints
    fibers: Ints
    """Program whose fibers were spliced."""
    program: Ints
    """Program used."""
    served: Ints
    """Days since the technician joined."""
    made: Made


@dataclass(frozen=True)
class Streams:
    """What a splicer's streams are like; one entry a program."""

    mean_db: Floats
    """Mean of the scattered part of the loss, with the splicer's factor in it."""
    shape: Floats
    day_sd: Floats
    dirty_share: Floats


def streams_of(scenario: Scenario, splicer: SplicerSpec) -> Streams:
    """Draw the streams of one splicer by the scenario's `LossLaw`."""
    law, programs = scenario.losses, scenario.programs
    rng = scenario.rng("streams", splicer.name)
    n = len(programs)
    day_sd, dirty_share = rng.uniform(*law.day_sd, n), rng.uniform(*law.dirty_share, n)
    shape = np.array([p.shape for p in programs])
    if law.shape is not None:
        shape = rng.uniform(*law.shape, n)
    mean = np.array([scattered_db(scenario, number) for number in range(n)])
    return Streams(mean * splicer.loss_factor, shape, day_sd, dirty_share)


def scattered_db(scenario: Scenario, program: int) -> float:
    """Mean loss of a program that is left to scatter once usual geometry has its part, dB."""
    mean = scenario.programs[program].mean_db
    return max(mean - usual_geometry_db(scenario, program), _LEAST_SHARE * mean)


def usual_geometry_db(
    scenario: Scenario, program: int, person: TechnicianSpec | None = None
) -> float:
    """Mean loss by tilt and unequal fields with usual, or some person's, cleave angles, dB."""
    if not scenario.losses.geometry:
        return 0.0
    spec = scenario.programs[program]
    angles = (
        (USUAL_DEG, USUAL_LOG_SD)
        if person is None
        else (person.cleave_median_deg, person.cleave_log_sd)
    )
    return float(mean_uneven_loss_db(spec.radius_a_um, spec.radius_b_um, *angles))


def crew_day_factors(scenario: Scenario) -> Floats:
    """Factors on loss that all streams share, one a calendar day."""
    law = scenario.losses
    return day_factors(law.crew_day_sd, law.crew_day_lag, scenario.days, scenario.rng("crew days"))


def make_work(
    scenario: Scenario,
    splicer: SplicerSpec,
    days: pd.DataFrame,
    place: Place,
    rng: np.random.Generator,
) -> Work:
    """Make the splices of one splicer.

    Parameters
    ----------
    scenario : Scenario
        Technicians, programs and faults.
    splicer : SplicerSpec
        The machine.
    days : DataFrame
        Its rows of `arcdrift.simulate.work.shifts.plan_days`.
    place : Place
        When and on what.
    rng : Generator
        Random numbers of this splicer.
    """
    zone, at, row = scenario.time_zone, place.at, place.row
    person = _hands(days, at, row)
    second = at >= (days["midnight"].to_numpy() + days["half_s"].to_numpy())[row]
    fibers = np.where(second, days["afternoon"].to_numpy()[row], days["morning"].to_numpy()[row])
    people, programs = scenario.technicians, scenario.programs
    by_person = {
        name: np.array([getattr(t, name) for t in people])[person]
        for name in (
            "loss_factor", "cleave_median_deg", "cleave_log_sd", "novice_loss", "novice_angle",
            "learning_days",
        )
    }  # fmt: skip
    joined = np.array([((t.joins or scenario.start) - scenario.start).days for t in people])
    served = days["day"].to_numpy()[row] - joined[person]
    novice = np.where(np.array([t.joins is not None for t in people])[person], 1.0, 0.0)
    novice *= np.exp(-np.maximum(served, 0) / by_person["learning_days"])

    streams = streams_of(scenario, splicer)
    factor = by_person["loss_factor"] * (1.0 + by_person["novice_loss"] * novice)
    median = by_person["cleave_median_deg"] * (1.0 + by_person["novice_angle"] * novice)
    spread = by_person["cleave_log_sd"]
    life = scenario.model_of(splicer).electrode_life_arcs
    factor = factor * (1.0 + 0.15 * np.maximum(place.worn - life, 0.0) / 1000.0)
    wear = np.full(len(at), BLADE_WEAR)
    for fault in of_kind(scenario.faults, "blade-overdue", splicer.cleaver):
        wear[fault.active(at, zone)] *= fault.size or 1.0
    worn = np.minimum(wear * (place.blade.cleaves / CLEAVES_A_POSITION - 0.5), _WORST_BLADE)
    median = median * np.exp(worn)
    dirty, raised = np.ones(len(at)), np.ones(len(at))
    for fault in of_kind(scenario.faults, "v-grooves-dirty", splicer.name):
        raised = raised * np.where(fault.active(at, zone), fault.size, 1.0)
    for number, technician in enumerate(people):
        for fault in of_kind(scenario.faults, "careless", technician.name):
            there = fault.active(at, zone) & (person == number)
            factor = factor * np.where(there, fault.size, 1.0)
            median = median * np.where(there, 1.7, 1.0)
            spread = spread * np.where(there, 1.2, 1.0)
            dirty = np.where(there, 2.0, dirty)
    program = fibers.copy()
    for fault in of_kind(scenario.faults, "wrong-program", splicer.name):
        there = fault.active(at, zone)
        there &= np.array([p.fiber_b == fault.fiber for p in programs])[fibers]
        program[there] = [p.name for p in programs].index(str(fault.target))
        raised = raised * np.where(there, fault.size, 1.0)
    bent = {"left": np.ones(len(at)), "right": np.ones(len(at))}
    for fault in of_kind(scenario.faults, "holder-bent", splicer.name):
        bent[fault.side or "left"] *= np.where(fault.active(at, zone), fault.size, 1.0)

    # streams one after another, so that memory runs within a stream
    order = np.lexsort((at, fibers))
    stream = fibers[order]
    softened = np.array([MISMATCH_SHARE[p.program_class] for p in programs])
    law = scenario.losses
    conditions = Conditions(
        mean_db=streams.mean_db[stream] * (factor * raised)[order],
        shape=streams.shape[stream],
        day=np.unique((fibers * len(days) + row)[order], return_inverse=True)[1],
        mismatch=place.mismatch[order] / scenario.model_of(splicer).scale,
        mismatch_share=softened[program][order],
        dirty_factor=dirty[order],
        cleave_median_deg=median[order],
        cleave_log_sd=spread[order],
        left_factor=bent["left"][order],
        right_factor=bent["right"][order],
        day_sd=streams.day_sd[stream],
        dirty_share=streams.dirty_share[stream],
        crew_day=crew_day_factors(scenario)[days["day"].to_numpy()][row][order],
        raised=raised[order],
        radius_a_um=np.array([p.radius_a_um for p in programs])[stream],
        radius_b_um=np.array([p.radius_b_um for p in programs])[stream],
    )
    azimuth = scenario.rng("azimuth", splicer.name) if law.geometry else None
    made = make_splices(conditions, rng, law=law, azimuth=azimuth)
    back = np.argsort(order, kind="stable")
    made = replace(made, **{name: values[back] for name, values in vars(made).items()})
    return Work(place, person, fibers, program, served, made)


def _hands(days: pd.DataFrame, at: Ints, row: Ints) -> Ints:
    """Technician of each splice: the stand-in takes over at the break."""
    stand_in = days["stand_in"].to_numpy()[row]
    second = at >= (days["midnight"].to_numpy() + days["half_s"].to_numpy())[row]
    return np.where(second & (stand_in >= 0), stand_in, days["technician"].to_numpy()[row])
