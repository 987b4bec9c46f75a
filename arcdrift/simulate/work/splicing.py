"""The splices of one splicer: technician, program, fibers, and the drawn results."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.simulate.crew.faults import faults_of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec, TechnicianSpec
from arcdrift.simulate.work.blade import CLEAVES_PER_POSITION, Blade
from arcdrift.simulate.work.geometry import mean_field_and_tilt_loss_db
from arcdrift.simulate.work.splice_errors import (
    Circumstances,
    acts_on,
    draw_errors,
    draw_holding,
)
from arcdrift.simulate.work.splice_losses import (
    BLADE_WEAR,
    MISMATCH_SHARE,
    SpliceInputs,
    SpliceResults,
    day_factors,
    draw_splices,
)

USUAL_DEG, USUAL_LOG_SD = 0.7, 0.45
"""Median and log standard deviation of an ordinary technician's cleave angle (invented)."""
_MAX_LOG_BLADE_FACTOR = float(np.log(4.0))
"""A worn blade raises cleave angles fourfold at most (invented)."""
_HASTE_ANGLE, _WORN_LOG_SD = 1.3, 1.5
"""Factors on cleave angles in haste, and on their log standard deviation in worn holders."""
_MIN_SCATTERED_SHARE = 0.3
"""Least share of a program's mean loss that is scattered, however much geometry adds."""


@dataclass(frozen=True)
class MachineState:
    """Time of each splice of one splicer, and the state of the machine; one entry per splice."""

    times: Ints
    """Seconds since 1970 UTC."""
    day_index: Ints
    """Index of the day."""
    arcs: Floats
    """Arcs on the electrodes."""
    mismatch: Floats
    """Required setting minus setting in force, in the splicer's unit."""
    blade: Blade


@dataclass(frozen=True)
class SplicerWork:
    """The splices of one splicer; one entry per splice."""

    state: MachineState
    technician: Ints
    fibers: Ints
    """Index of the program that is made for the fibers that were spliced."""
    program: Ints
    """Index of the program that was used."""
    days_since_joining: Ints
    """Days since the technician joined."""
    holding: npt.NDArray[np.object_]
    results: SpliceResults


@dataclass(frozen=True)
class StreamParameters:
    """Loss parameters of a splicer's streams; one entry per program."""

    mean_db: Floats
    """Mean of the scattered part of the loss, including the splicer's factor."""
    shape: Floats
    day_sd: Floats
    dirty_share: Floats


def draw_streams(scenario: Scenario, splicer: SplicerSpec) -> StreamParameters:
    """Draw the loss parameters of one splicer's streams from the scenario's `LossLaw`."""
    law, programs = scenario.losses, scenario.programs
    rng = scenario.rng("streams", splicer.name)
    n = len(programs)
    day_sd, dirty_share = rng.uniform(*law.day_sd, n), rng.uniform(*law.dirty_share, n)
    shape = np.array([p.shape for p in programs])
    if law.shape is not None:
        shape = rng.uniform(*law.shape, n)
    mean = np.array([scattered_db(scenario, number) for number in range(n)])
    return StreamParameters(mean * splicer.loss_factor, shape, day_sd, dirty_share)


def scattered_db(scenario: Scenario, program: int) -> float:
    """Return the mean of the scattered loss of a program: its mean minus usual geometry, dB."""
    mean = scenario.programs[program].mean_db
    return max(mean - usual_geometry_db(scenario, program), _MIN_SCATTERED_SHARE * mean)


def usual_geometry_db(
    scenario: Scenario, program: int, technician: TechnicianSpec | None = None
) -> float:
    """Return the mean loss from tilt and unequal mode fields, dB.

    Cleave angles are those of the technician, or usual ones if none is given.
    """
    if not scenario.losses.geometry:
        return 0.0
    spec = scenario.programs[program]
    angles = (
        (USUAL_DEG, USUAL_LOG_SD)
        if technician is None
        else (technician.cleave_median_deg, technician.cleave_log_sd)
    )
    return float(mean_field_and_tilt_loss_db(spec.radius_a_um, spec.radius_b_um, *angles))


def crew_day_factors(scenario: Scenario) -> Floats:
    """Draw the factors on loss that all streams share, one per calendar day."""
    law = scenario.losses
    return day_factors(law.crew_day_sd, law.crew_day_lag, scenario.days, scenario.rng("crew days"))


def draw_work(
    scenario: Scenario,
    splicer: SplicerSpec,
    days: pd.DataFrame,
    state: MachineState,
    rng: np.random.Generator,
) -> SplicerWork:
    """Draw the splices of one splicer.

    Parameters
    ----------
    scenario : Scenario
        With its technicians, programs and faults.
    splicer : SplicerSpec
        The splicer.
    days : DataFrame
        Its rows of `arcdrift.simulate.work.shifts.plan_days`.
    state : MachineState
        Times, and the state of the machine.
    rng : Generator
        Random numbers of this splicer.
    """
    zone, times, day_index = scenario.time_zone, state.times, state.day_index
    after_break = times >= (days["midnight"].to_numpy() + days["break_s"].to_numpy())[day_index]
    technician = _technician_indices(days, day_index, after_break)
    by_day = days[["morning", "afternoon"]].to_numpy()
    fibers = by_day[day_index, after_break.astype(np.int64)]
    technicians, programs = scenario.technicians, scenario.programs
    traits = {
        name: np.array([getattr(t, name) for t in technicians])[technician]
        for name in (
            "loss_factor", "cleave_median_deg", "cleave_log_sd", "novice_loss", "novice_angle",
            "learning_days",
        )
    }  # fmt: skip
    join_day = np.array([((t.joins or scenario.start) - scenario.start).days for t in technicians])
    days_since_joining = days["day"].to_numpy()[day_index] - join_day[technician]
    joined_late = np.array([t.joins is not None for t in technicians], np.float64)
    novice_share = joined_late[technician]
    novice_share *= np.exp(-np.maximum(days_since_joining, 0) / traits["learning_days"])

    streams = draw_streams(scenario, splicer)
    loss_factor = traits["loss_factor"] * (1.0 + traits["novice_loss"] * novice_share)
    cleave_median = traits["cleave_median_deg"] * (1.0 + traits["novice_angle"] * novice_share)
    cleave_log_sd = traits["cleave_log_sd"]
    life = scenario.model_of(splicer).electrode_life_arcs
    loss_factor = loss_factor * (1.0 + 0.15 * np.maximum(state.arcs - life, 0.0) / 1000.0)
    blade_wear = np.full(len(times), BLADE_WEAR)
    for fault in faults_of_kind(scenario.faults, "blade-overdue", splicer.cleaver):
        blade_wear[fault.active(times, zone)] *= fault.size or 1.0
    log_blade_factor = blade_wear * (state.blade.cleaves / CLEAVES_PER_POSITION - 0.5)
    log_blade_factor = np.minimum(log_blade_factor, _MAX_LOG_BLADE_FACTOR)
    cleave_median = cleave_median * np.exp(log_blade_factor)
    dirty_factor, raised = np.ones(len(times)), np.ones(len(times))
    for fault in faults_of_kind(scenario.faults, "v-grooves-dirty", splicer.name):
        raised = raised * np.where(fault.active(times, zone), fault.size, 1.0)
    for number, spec in enumerate(technicians):
        for fault in faults_of_kind(scenario.faults, "careless", spec.name):
            affected = fault.active(times, zone) & (technician == number)
            loss_factor = loss_factor * np.where(affected, fault.size, 1.0)
            cleave_median = cleave_median * np.where(affected, 1.7, 1.0)
            cleave_log_sd = cleave_log_sd * np.where(affected, 1.2, 1.0)
            dirty_factor = np.where(affected, 2.0, dirty_factor)
    day = days["day"].to_numpy()[day_index]
    splices = Circumstances(
        times, day, technician, days["site"].to_numpy()[day_index], state.blade.position,
        draw_holding(scenario, splicer, times, day, technician),
    )  # fmt: skip
    for kind, angle, log_sd in (("haste", _HASTE_ANGLE, 1.0), ("holder-worn", 1.0, _WORN_LOG_SD)):
        for fault in scenario.faults:
            if fault.kind == kind:
                affected = acts_on(scenario, splicer, fault, splices)
                loss_factor = loss_factor * np.where(affected, fault.size, 1.0)
                cleave_median = cleave_median * np.where(affected, angle, 1.0)
                cleave_log_sd = cleave_log_sd * np.where(affected, log_sd, 1.0)
    program = fibers.copy()
    for fault in faults_of_kind(scenario.faults, "wrong-program", splicer.name):
        affected = fault.active(times, zone)
        affected &= np.array([p.fiber_b == fault.fiber for p in programs])[fibers]
        program[affected] = [p.name for p in programs].index(str(fault.target))
        raised = raised * np.where(affected, fault.size, 1.0)
    holder_factor = {"left": np.ones(len(times)), "right": np.ones(len(times))}
    for fault in faults_of_kind(scenario.faults, "holder-bent", splicer.name):
        holder_factor[fault.side or "left"] *= np.where(fault.active(times, zone), fault.size, 1.0)

    # one stream after another, so that correlation from splice to splice is within a stream
    order = np.lexsort((times, fibers))
    stream = fibers[order]
    mismatch_share = np.array([MISMATCH_SHARE[p.program_class] for p in programs])
    law = scenario.losses
    inputs = SpliceInputs(
        mean_db=streams.mean_db[stream] * (loss_factor * raised)[order],
        shape=streams.shape[stream],
        day=np.unique((fibers * len(days) + day_index)[order], return_inverse=True)[1],
        mismatch=state.mismatch[order] / scenario.model_of(splicer).scale,
        mismatch_share=mismatch_share[program][order],
        dirty_factor=dirty_factor[order],
        cleave_median_deg=cleave_median[order],
        cleave_log_sd=cleave_log_sd[order],
        left_factor=holder_factor["left"][order],
        right_factor=holder_factor["right"][order],
        day_sd=streams.day_sd[stream],
        dirty_share=streams.dirty_share[stream],
        crew_day=crew_day_factors(scenario)[days["day"].to_numpy()][day_index][order],
        raised=raised[order],
        radius_a_um=np.array([p.radius_a_um for p in programs])[stream],
        radius_b_um=np.array([p.radius_b_um for p in programs])[stream],
    )
    azimuth = scenario.rng("azimuth", splicer.name) if law.geometry else None
    results = draw_splices(inputs, rng, law=law, azimuth=azimuth)
    original_order = np.argsort(order, kind="stable")
    reordered = {name: values[original_order] for name, values in vars(results).items()}
    results = draw_errors(scenario, splicer, replace(results, **reordered), splices)
    return SplicerWork(
        state, technician, fibers, program, days_since_joining, splices.holding, results
    )


def _technician_indices(days: pd.DataFrame, day_index: Ints, after_break: Bools) -> Ints:
    """Return the technician of each splice; a stand-in takes over at the break."""
    technician = days["technician"].to_numpy()[day_index]
    stand_in = days["stand_in"].to_numpy()[day_index]
    return np.where(after_break & (stand_in >= 0), stand_in, technician)
