"""Records of one splicer as frames with the columns of the files."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.air.weather import Weather, sense
from arcdrift.simulate.crew.faults import of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.blade import Blade
from arcdrift.simulate.work.splicing import Work

_EVENING_S = 16 * 3600 + 2400
_NIGHT_EVENING_S = 28 * 3600 + 3300
_MEASURED_SHARE = 0.03


def splice_rows(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, work: Work,
    rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    """Rows of the splice log, but for the arc count."""
    people, programs = scenario.technicians, scenario.programs
    made, program, n = work.made, work.program, len(work.person)
    practiced = np.array([t.practice_days for t in people])
    fiber_a = [p.fiber_a for p in programs]
    fiber_b = [p.fiber_b for p in programs]
    frame = pd.DataFrame(
        {
            "splicer": splicer.name,
            "spliced_at": splicer_clock(scenario, splicer, work.place.at),
            "loss_db": made.loss_db,
            "outcome": made.outcome,
            "technician": _names([t.name for t in people], work.person),
            "program": _names([p.name for p in programs], program),
            "fiber_a": _names(fiber_a, work.fibers),
            "fiber_b": _names(fiber_b, work.fibers),
            "cleave_left_deg": made.cleave_left_deg,
            "cleave_right_deg": made.cleave_right_deg,
            "core_offset_um": made.core_offset_um,
            "splice_number": rng.integers(1_000, 20_000) + np.arange(n),
            "cleaver": splicer.cleaver,
            "blade_position": work.place.blade.position,
            "site": _names(
                [s.name for s in scenario.sites], days["site"].to_numpy()[work.place.row]
            ),
            "location": _locations(splicer.name, made.outcome),
            "purpose": np.where(work.served < practiced[work.person], "practice", "production"),
            "heater_program": _names([p.heater_program for p in programs], program),
        }
    )
    # nobody signed in
    frame.loc[rng.random(n) < 0.01, "technician"] = None
    return _measured(scenario, splicer, frame, work, rng)


def check_rows(
    scenario: Scenario, splicer: SplicerSpec, at: Ints, outcome: pd.Series, found: Floats,
    count: Floats, person: Ints, site: Ints, weather: Weather,
) -> pd.DataFrame:  # fmt: skip
    """Rows of the log of arc checks."""
    rng = scenario.rng("check sheet", splicer.name)
    frame = pd.DataFrame(
        {
            "splicer": splicer.name,
            "checked_at": splicer_clock(scenario, splicer, at),
            "outcome": outcome.to_numpy(),
            "arc_setting": found,
            "arc_count": count.astype(np.int64),
            "technician": _names([t.name for t in scenario.technicians], person),
            "site": _names([s.name for s in scenario.sites], site),
            "melt_back_um": np.round(rng.normal(140, 5, len(at))),
        }
    )
    names = ("temperature_c", "pressure_hpa", "humidity_pct")
    air = [weather.at(quantity, site, at) for quantity in ("temperature", "station", "humidity")]
    for name, values in zip(names, sense(rng, *air), strict=True):
        frame[name] = values if scenario.model_of(splicer).own_air else np.nan
    frame["remark"] = frame["outcome"].map({"fail": "melt-back uneven"})
    return frame


def service_rows(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, morning: Ints,
    renewed: Ints, blade: Blade,
) -> pd.DataFrame:  # fmt: skip
    """Rows of the service log: electrodes, blade, v-grooves, holders, weekly cleaning."""
    by_night = days["later_s"].to_numpy() > 0
    evening = days["midnight"].to_numpy() + np.where(by_night, _NIGHT_EVENING_S, _EVENING_S)
    friday = (days["day"].to_numpy() + scenario.start.weekday()) % 7 == 4
    stop = int(scenario.end.timestamp())
    rows = [(splicer.name, int(t), "electrodes replaced") for t in morning[renewed]]
    rows += [(splicer.name, int(t), "cleaned") for t in evening[friday] if t < stop]
    mends = {"v-grooves-dirty": "v-grooves cleaned", "holder-bent": "other"}
    for fault in scenario.faults:
        _, end = fault.span(scenario.time_zone)
        if fault.kind in mends and fault.subject == splicer.name and end < stop:
            rows.append((splicer.name, int(end), mends[fault.kind]))
    rows += [
        (splicer.cleaver, int(t) + 300, "blade replaced" if position == 1 else "blade rotated")
        for t, position in zip(morning[blade.turned], blade.at_turn, strict=True)
    ]
    rows.sort(key=lambda event: event[1])
    return pd.DataFrame(rows, columns=["asset", "serviced_at", "action"])


def splicer_clock(scenario: Scenario, splicer: SplicerSpec, at: Ints) -> Ints:
    """What the splicer's own clock says at instants, seconds since 1970 UTC."""
    shown = at.copy()
    for fault in of_kind(scenario.faults, "clock-reset", splicer.name):
        shown[fault.active(at, scenario.time_zone)] += round(3600 * fault.size)
    return shown


def _measured(
    scenario: Scenario, splicer: SplicerSpec, frame: pd.DataFrame, work: Work,
    rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    """Measure a few splices both ways; the two ways differ by the step between the fibers."""
    n = len(frame)
    picked = (rng.random(n) < _MEASURED_SHARE) & (frame["outcome"] == "done").to_numpy()
    steps = np.array([0.0 if p.fiber_a == p.fiber_b else 0.12 for p in scenario.programs])
    step = steps[work.fibers]
    true = frame["loss_db"].to_numpy() + splicer.estimate_bias_db
    for fault in of_kind(scenario.faults, "estimate-optimistic", splicer.name):
        true = true + np.where(fault.active(work.place.at, scenario.time_zone), fault.size, 0.0)
    for column, sign in (("measured_ab_db", 1.0), ("measured_ba_db", -1.0)):
        values = true + sign * step + rng.normal(0, 0.015, n)
        frame[column] = np.where(picked, np.round(values, 3), np.nan)
    return frame


def _locations(name: str, outcome: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Closure, tray and fiber; a splice that was no good is made again at the same place."""
    good = np.r_[0, (outcome == "done").cumsum()[:-1]]
    closure, place = np.divmod(good, 96)
    closures = np.array([f"{name[0]}{c + 1:03d}" for c in range(closure.max() + 1)], object)
    places = np.array([f"/{n // 12 + 1}/{n % 12 + 1}" for n in range(96)], object)
    return np.asarray(closures[closure] + places[place])


def _names(names: list[str], place: Ints) -> npt.NDArray[np.object_]:
    return np.array(names, object)[place]
