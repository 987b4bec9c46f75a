"""Frames of one splicer's records, with the columns of the log files."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.air.weather import Weather, sensor_values
from arcdrift.simulate.crew.faults import faults_of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.blade import Blade
from arcdrift.simulate.work.splicing import SplicerWork

_EVENING_S = 16 * 3600 + 2400
"""Time after midnight of weekly cleaning on a day shift."""
_NIGHT_EVENING_S = 28 * 3600 + 3300
"""Time after midnight of weekly cleaning on a night shift."""
_MEASURED_SHARE = 0.03
"""Share of splices that are also measured with an OTDR."""


def splice_rows(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, work: SplicerWork,
    rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    """Return the rows of the splice log without the column ``arc_count``."""
    technicians, programs = scenario.technicians, scenario.programs
    results, program, n = work.results, work.program, len(work.technician)
    practice_days = np.array([t.practice_days for t in technicians])
    is_practice = work.days_since_joining < practice_days[work.technician]
    fiber_a = [p.fiber_a for p in programs]
    fiber_b = [p.fiber_b for p in programs]
    frame = pd.DataFrame(
        {
            "splicer": splicer.name,
            "spliced_at": splicer_clock(scenario, splicer, work.state.times),
            "loss_db": results.loss_db,
            "outcome": results.outcome,
            "technician": _names_at([t.name for t in technicians], work.technician),
            "program": _names_at([p.name for p in programs], program),
            "fiber_a": _names_at(fiber_a, work.fibers),
            "fiber_b": _names_at(fiber_b, work.fibers),
            "cleave_left_deg": results.cleave_left_deg,
            "cleave_right_deg": results.cleave_right_deg,
            "core_offset_um": results.core_offset_um,
            "splice_number": rng.integers(1_000, 20_000) + np.arange(n),
            "cleaver": splicer.cleaver,
            "blade_position": work.state.blade.position,
            "site": _names_at(
                [s.name for s in scenario.sites], days["site"].to_numpy()[work.state.day_index]
            ),
            "location": _locations(splicer.name, results.outcome),
            "purpose": np.where(is_practice, "practice", "production"),
            "heater_program": _names_at([p.heater_program for p in programs], program),
            "error_reason": results.error_reason,
            "holding": work.holding,
        }
    )
    # in 1 % of the rows nobody was logged in
    frame.loc[rng.random(n) < 0.01, "technician"] = None
    return _add_measured_losses(scenario, splicer, frame, work, rng)


def check_rows(
    scenario: Scenario, splicer: SplicerSpec, times: Ints, outcome: pd.Series, stored: Floats,
    arc_count: Floats, technician: Ints, site: Ints, weather: Weather,
) -> pd.DataFrame:  # fmt: skip
    """Return the rows of the log of arc checks."""
    rng = scenario.rng("check sheet", splicer.name)
    frame = pd.DataFrame(
        {
            "splicer": splicer.name,
            "checked_at": splicer_clock(scenario, splicer, times),
            "outcome": outcome.to_numpy(),
            "arc_setting": stored,
            "arc_count": arc_count.astype(np.int64),
            "technician": _names_at([t.name for t in scenario.technicians], technician),
            "site": _names_at([s.name for s in scenario.sites], site),
            "melt_back_um": np.round(rng.normal(140, 5, len(times))),
        }
    )
    names = ("temperature_c", "pressure_hpa", "humidity_pct")
    quantities = ("temperature", "station_pressure", "humidity")
    air = [weather.interpolate(quantity, site, times) for quantity in quantities]
    for name, values in zip(names, sensor_values(rng, *air), strict=True):
        frame[name] = values if scenario.model_of(splicer).own_air else np.nan
    frame["remark"] = frame["outcome"].map({"fail": "melt-back uneven"})
    return frame


def service_rows(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, service_time: Ints,
    replaced_days: Ints, blade: Blade,
) -> pd.DataFrame:  # fmt: skip
    """Return the rows of the service log: electrodes, blade, v-grooves, holders, cleaning."""
    is_night_shift = days["delay_s"].to_numpy() > 0
    evening = days["midnight"].to_numpy() + np.where(is_night_shift, _NIGHT_EVENING_S, _EVENING_S)
    friday = (days["day"].to_numpy() + scenario.start.weekday()) % 7 == 4
    end_s = int(scenario.end.timestamp())
    events = [(splicer.name, int(t), "electrodes replaced") for t in service_time[replaced_days]]
    events += [(splicer.name, int(t), "cleaned") for t in evening[friday] if t < end_s]
    remedies = {
        "v-grooves-dirty": "v-grooves cleaned", "fiber-position": "v-grooves cleaned",
        "holder-bent": "other",
    }  # fmt: skip
    for fault in scenario.faults:
        _, fault_end_s = fault.span(scenario.time_zone)
        if fault.kind in remedies and fault.subject == splicer.name and fault_end_s < end_s:
            events.append((splicer.name, int(fault_end_s), remedies[fault.kind]))
    events += [
        (splicer.cleaver, int(t) + 300, "blade replaced" if position == 1 else "blade rotated")
        for t, position in zip(service_time[blade.turned], blade.turned_to, strict=True)
    ]
    events.sort(key=lambda event: event[1])
    return pd.DataFrame(events, columns=["asset", "serviced_at", "action"])


def splicer_clock(scenario: Scenario, splicer: SplicerSpec, times: Ints) -> Ints:
    """Return what the splicer's clock shows at true times; both in seconds since 1970 UTC."""
    shown_times = times.copy()
    for fault in faults_of_kind(scenario.faults, "clock-reset", splicer.name):
        shown_times[fault.active(times, scenario.time_zone)] += round(3600 * fault.size)
    return shown_times


def _add_measured_losses(
    scenario: Scenario, splicer: SplicerSpec, frame: pd.DataFrame, work: SplicerWork,
    rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    """Add measured losses to a few splices; the two directions differ with unequal fibers."""
    n = len(frame)
    is_measured = (rng.random(n) < _MEASURED_SHARE) & (frame["outcome"] == "done").to_numpy()
    steps = [0.0 if p.fiber_a == p.fiber_b else 0.12 for p in scenario.programs]
    step = np.array(steps)[work.fibers]
    true_loss = frame["loss_db"].to_numpy() + splicer.estimate_bias_db
    for fault in faults_of_kind(scenario.faults, "estimate-optimistic", splicer.name):
        is_active = fault.active(work.state.times, scenario.time_zone)
        true_loss = true_loss + np.where(is_active, fault.size, 0.0)
    for column, sign in (("measured_ab_db", 1.0), ("measured_ba_db", -1.0)):
        values = true_loss + sign * step + rng.normal(0, 0.015, n)
        frame[column] = np.where(is_measured, np.round(values, 3), np.nan)
    return frame


def _locations(name: str, outcome: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return closure, tray and fiber; after a redo or error the location stays the same."""
    finished = np.r_[0, (outcome == "done").cumsum()[:-1]]
    closure, index = np.divmod(finished, 96)
    closure_names = np.array([f"{name[0]}{c + 1:03d}" for c in range(closure.max() + 1)], object)
    place_names = np.array([f"/{n // 12 + 1}/{n % 12 + 1}" for n in range(96)], object)
    return np.asarray(closure_names[closure] + place_names[index])


def _names_at(names: list[str], index: Ints) -> npt.NDArray[np.object_]:
    return np.array(names, object)[index]
