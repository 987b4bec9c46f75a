"""One splicer's records: checks, splices and service, from its planned days."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.simulate.checks import (
    Slopes,
    arc_shift,
    check_times,
    plan_checks,
    renewals,
    settings_found,
    slopes_of,
)
from arcdrift.simulate.faults import of_kind
from arcdrift.simulate.losses import MISMATCH_SHARE, Conditions, make_splices
from arcdrift.simulate.scenario import Scenario, SplicerSpec
from arcdrift.simulate.shifts import splice_times
from arcdrift.simulate.weather import Weather, sense

Floats = npt.NDArray[np.float64]
Instants = npt.NDArray[np.int64]

MORNING_ARCS = 5
"""Cleaning and test arcs of a morning, whether or not the check is finished (invented)."""
REARC_SHARE = 0.03
CLEAVES_A_POSITION = 1000
"""Cleaves a blade position is good for (common practice, no source)."""
POSITIONS = 16
_MORNING_S = 7 * 3600 + 600
_EVENING_S = 16 * 3600 + 2400
_MEASURED_SHARE = 0.03


@dataclass(frozen=True)
class MachineTruth:
    """What truly happened at one splicer; times are seconds since 1970 UTC."""

    slopes: Slopes
    check_days: pd.DataFrame
    electrodes: list[tuple[int, float]]
    """When electrodes were replaced, and the arcs on the old ones."""


@dataclass(frozen=True)
class MachineRecords:
    """Records of one splicer with the truth; times are seconds since 1970 UTC."""

    checks: pd.DataFrame
    splices: pd.DataFrame
    service: pd.DataFrame
    truth: MachineTruth


def run_splicer(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, weather: Weather
) -> MachineRecords:
    """Simulate one splicer.

    Parameters
    ----------
    scenario : Scenario
        The whole crew.
    splicer : SplicerSpec
        One of its splicers.
    days : DataFrame
        That splicer's rows of `arcdrift.simulate.shifts.plan_days`, in order.
    weather : Weather
        Air over the sites.

    Returns
    -------
    MachineRecords
        Frames with the record columns.
    """
    rng = scenario.rng("splices", splicer.name)
    model = scenario.model_of(splicer)
    slopes = slopes_of(scenario, splicer)
    at, row = splice_times(scenario, days, rng)
    days = days[np.bincount(row, minlength=len(days)) > 0]
    row = np.unique(row, return_inverse=True)[1]
    midnight = days["midnight"].to_numpy()
    morning = midnight + _MORNING_S

    arcs = 1.0 + (rng.random(len(at)) < REARC_SHARE)
    by_day = np.bincount(row, arcs, minlength=len(days)) + MORNING_ARCS
    used = np.r_[0.0, by_day.cumsum()[:-1]]
    renewed = renewals(used, _electrode_limits(scenario, splicer, midnight), splicer.arcs_at_start)
    pair = np.searchsorted(renewed, np.arange(len(days)), side="right")
    zero = np.r_[-float(splicer.arcs_at_start), used[renewed]][pair]

    plan = plan_checks(scenario, splicer, days, np.isin(np.arange(len(days)), renewed))
    checks = check_times(plan, at, row, scenario.rng("checks", splicer.name))
    c_at, c_row = checks["checked_at"].to_numpy(), checks["row"].to_numpy()
    passed = (checks["outcome"] == "pass").to_numpy()
    within = arcs.cumsum() - np.r_[0.0, np.bincount(row, arcs).cumsum()][row]
    s_arcs = used[row] - zero[row] + MORNING_ARCS + within
    done = np.searchsorted(at, c_at)
    first = np.searchsorted(row, c_row)
    sofar = np.r_[0.0, arcs.cumsum()]
    c_arcs = used[c_row] - zero[c_row] + MORNING_ARCS + sofar[done] - sofar[first]

    site = days["site"].to_numpy()
    level = (
        model.scale
        * scenario.arc.pair_sd
        * scenario.rng("pairs", splicer.name).normal(size=len(renewed) + 1)
    )

    def need(when: Instants, of_row: npt.NDArray[np.int64], worn: Floats) -> Floats:
        where = site[of_row]
        return (
            slopes.physics(
                weather.at("density", where, when), weather.at("vapor", where, when), worn
            )
            + level[pair[of_row]]
            + model.scale * arc_shift(scenario, splicer, when, morning[renewed])
        )

    found = settings_found(scenario, splicer, slopes, need(c_at, c_row, c_arcs), passed)
    wanted = need(at, row, s_arcs)
    latest = np.searchsorted(c_at[passed], at, side="right") - 1
    # before its first check on record a splicer runs on a setting that suited that morning
    in_force = np.where(latest >= 0, np.r_[found[passed], 0.0][latest], wanted[0])

    base = 0.0 if model.counter_resets else splicer.arcs_at_start
    counter = zero * (not model.counter_resets) + base
    blade = _blade(scenario, splicer, row, len(days), midnight)
    person = _hands(days, at, row)
    splices = _splices(
        scenario, splicer, days, at, row, person, blade, wanted - in_force, s_arcs, rng
    )
    splices["arc_count"] = (s_arcs + counter[row]).astype(np.int64)
    first_person = days["technician"].to_numpy()
    checks = _checks(
        scenario, splicer, c_at, checks["outcome"], found, c_arcs + counter[c_row],
        first_person[c_row], site[c_row], weather,
    )  # fmt: skip
    service = _service(scenario, splicer, days, morning, renewed, blade)
    worn_off = used[renewed] - zero[renewed - 1]
    return MachineRecords(
        checks,
        splices,
        service,
        MachineTruth(
            slopes,
            _check_days(scenario, splicer, days, at, row, c_at, c_row, passed),
            list(zip(morning[renewed].tolist(), worn_off.tolist(), strict=True)),
        ),
    )


@dataclass(frozen=True)
class _Blade:
    cleaves: Floats
    """Cleaves on the blade position at each splice."""
    position: npt.NDArray[np.int64]
    """Blade position at each splice."""
    turned: npt.NDArray[np.int64]
    """Days on whose morning the blade was turned."""
    at_turn: npt.NDArray[np.int64]
    """Position it was turned to; 1 means a new blade."""


def _electrode_limits(scenario: Scenario, splicer: SplicerSpec, midnight: Instants) -> Floats:
    life = scenario.model_of(splicer).electrode_life_arcs
    rng = scenario.rng("electrodes", splicer.name)
    limits = life * (1.0 + 0.02 * rng.normal(size=len(midnight)))
    for fault in of_kind(scenario.faults, "electrodes-late", splicer.name):
        limits[fault.active(midnight, scenario.time_zone)] = fault.size
    return np.asarray(limits)


def _blade(
    scenario: Scenario, splicer: SplicerSpec, row: npt.NDArray[np.int64], days: int,
    midnight: Instants,
) -> _Blade:  # fmt: skip
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
    return _Blade(cleaves.cumsum() - zero[row], position[turn][row], turned, position[1:])


def _hands(days: pd.DataFrame, at: Instants, row: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Technician of each splice: the stand-in takes over at noon."""
    stand_in = days["stand_in"].to_numpy()[row]
    afternoon = at >= days["midnight"].to_numpy()[row] + 12 * 3600
    return np.where(afternoon & (stand_in >= 0), stand_in, days["technician"].to_numpy()[row])


def _splices(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, at: Instants,
    row: npt.NDArray[np.int64], person: npt.NDArray[np.int64], blade: _Blade, mismatch: Floats,
    worn: Floats, rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    zone, n = scenario.time_zone, len(at)
    noon = days["midnight"].to_numpy()[row] + 12 * 3600
    program = np.where(
        at >= noon, days["afternoon"].to_numpy()[row], days["morning"].to_numpy()[row]
    )
    people, programs = scenario.technicians, scenario.programs
    by_person = {
        name: np.array([getattr(t, name) for t in people])[person]
        for name in ("loss_factor", "cleave_median_deg", "cleave_log_sd")
    }
    joined = np.array([((t.joins or scenario.start) - scenario.start).days for t in people])
    practiced = np.array([t.practice_days for t in people])
    served = days["day"].to_numpy()[row] - joined[person]
    novice = np.where(np.array([t.joins is not None for t in people])[person], 1.0, 0.0)
    novice *= np.exp(-np.maximum(served, 0) / 12.0)

    factor = splicer.loss_factor * by_person["loss_factor"] * (1.0 + 0.5 * novice)
    median = by_person["cleave_median_deg"] * (1.0 + 0.4 * novice)
    spread = by_person["cleave_log_sd"]
    life = scenario.model_of(splicer).electrode_life_arcs
    factor = factor * (1.0 + 0.15 * np.maximum(worn - life, 0.0) / 1000.0)
    median = median * np.exp(0.25 * (blade.cleaves / CLEAVES_A_POSITION - 0.5))
    dirty = np.ones(n)
    for fault in of_kind(scenario.faults, "v-grooves-dirty", splicer.name):
        factor = factor * np.where(fault.active(at, zone), fault.size, 1.0)
    for number, technician in enumerate(people):
        for fault in of_kind(scenario.faults, "careless", technician.name):
            there = fault.active(at, zone) & (person == number)
            factor = factor * np.where(there, fault.size, 1.0)
            median = median * np.where(there, 1.7, 1.0)
            spread = spread * np.where(there, 1.2, 1.0)
            dirty = np.where(there, 2.0, dirty)

    # streams one after another, so that memory runs within a stream
    order = np.lexsort((at, program))
    stream_day = (program * len(days) + row)[order]
    conditions = Conditions(
        mean_db=(np.array([p.mean_db for p in programs])[program] * factor)[order],
        shape=np.array([p.shape for p in programs])[program][order],
        day=np.unique(stream_day, return_inverse=True)[1],
        mismatch=mismatch[order] / scenario.model_of(splicer).scale,
        mismatch_share=np.array([MISMATCH_SHARE[p.program_class] for p in programs])[program][
            order
        ],
        dirty_factor=dirty[order],
        cleave_median_deg=median[order],
        cleave_log_sd=spread[order],
    )
    made = make_splices(conditions, rng)
    back = np.argsort(order, kind="stable")
    made = replace(made, **{name: values[back] for name, values in vars(made).items()})
    frame = pd.DataFrame(
        {
            "splicer": splicer.name,
            "spliced_at": at,
            "loss_db": made.loss_db,
            "outcome": made.outcome,
            "technician": _names([t.name for t in people], person),
            "program": _names([p.name for p in programs], program),
            "fiber_a": _names([p.fiber_a for p in programs], program),
            "fiber_b": _names([p.fiber_b for p in programs], program),
            "cleave_left_deg": made.cleave_left_deg,
            "cleave_right_deg": made.cleave_right_deg,
            "core_offset_um": made.core_offset_um,
            "splice_number": rng.integers(1_000, 20_000) + np.arange(n),
            "cleaver": splicer.cleaver,
            "blade_position": blade.position,
            "site": _names([s.name for s in scenario.sites], days["site"].to_numpy()[row]),
            "location": _locations(splicer.name, made.outcome),
            "purpose": np.where(served < practiced[person], "practice", "production"),
            "heater_program": _names([p.heater_program for p in programs], program),
        }
    )
    # nobody signed in
    frame.loc[rng.random(n) < 0.01, "technician"] = None
    return _measured(scenario, splicer, frame, program, rng)


def _measured(
    scenario: Scenario, splicer: SplicerSpec, frame: pd.DataFrame,
    program: npt.NDArray[np.int64], rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    """Measure a few splices both ways; the two ways differ by the step between the fibers."""
    n = len(frame)
    picked = (rng.random(n) < _MEASURED_SHARE) & (frame["outcome"] == "done").to_numpy()
    step = np.array([0.0 if p.fiber_a == p.fiber_b else 0.12 for p in scenario.programs])[program]
    true = frame["loss_db"].to_numpy() + splicer.estimate_bias_db
    for column, sign in (("measured_ab_db", 1.0), ("measured_ba_db", -1.0)):
        values = true + sign * step + rng.normal(0, 0.015, n)
        frame[column] = np.where(picked, np.round(values, 3), np.nan)
    return frame


def _checks(
    scenario: Scenario, splicer: SplicerSpec, at: Instants, outcome: pd.Series, found: Floats,
    count: Floats, person: npt.NDArray[np.int64], site: npt.NDArray[np.int64], weather: Weather,
) -> pd.DataFrame:  # fmt: skip
    rng = scenario.rng("check sheet", splicer.name)
    frame = pd.DataFrame(
        {
            "splicer": splicer.name,
            "checked_at": at,
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


def _service(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, morning: Instants,
    renewed: npt.NDArray[np.int64], blade: _Blade,
) -> pd.DataFrame:  # fmt: skip
    evening = days["midnight"].to_numpy() + _EVENING_S
    friday = (days["day"].to_numpy() + scenario.start.weekday()) % 7 == 4
    stop = int(scenario.end.timestamp())
    rows = [(splicer.name, int(t), "electrodes replaced") for t in morning[renewed]]
    rows += [(splicer.name, int(t), "cleaned") for t in evening[friday] if t < stop]
    for fault in of_kind(scenario.faults, "v-grooves-dirty", splicer.name):
        _, end = fault.span(scenario.time_zone)
        if end < stop:
            rows.append((splicer.name, int(end), "v-grooves cleaned"))
    rows += [
        (splicer.cleaver, int(t) + 300, "blade replaced" if position == 1 else "blade rotated")
        for t, position in zip(morning[blade.turned], blade.at_turn, strict=True)
    ]
    rows.sort(key=lambda event: event[1])
    return pd.DataFrame(rows, columns=["asset", "serviced_at", "action"])


def _check_days(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, at: Instants,
    row: npt.NDArray[np.int64], c_at: Instants, c_row: npt.NDArray[np.int64],
    passed: npt.NDArray[np.bool_],
) -> pd.DataFrame:  # fmt: skip
    """Say how each day's check truly went, told from the records themselves."""
    never = np.iinfo(np.int64).max
    first_pass = np.full(len(days), never)
    np.minimum.at(first_pass, c_row[passed], c_at[passed])
    tried = np.bincount(c_row, minlength=len(days)) > 0
    before = np.bincount(row[at < first_pass[row]], minlength=len(days))
    has = first_pass < never
    running = scenario.ends_at is not None
    unfinished = running & (days["day"].to_numpy() == scenario.days - 1)
    status = np.select(
        [has & (before == 0), has, tried, unfinished],
        ["checked", "late", "failed-only", "due"],
        "missed",
    )
    dates = pd.Timestamp(scenario.start) + pd.to_timedelta(days["day"].to_numpy(), unit="D")
    return pd.DataFrame(
        {
            "splicer": splicer.name,
            "day": dates.strftime("%Y-%m-%d"),
            "status": status,
            "splices": np.bincount(row, minlength=len(days)),
            "splices_before_check": np.where(has, before, 0),
        }
    )


def _locations(name: str, outcome: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Closure, tray and fiber; a splice that was no good is made again at the same place."""
    good = np.r_[0, (outcome == "done").cumsum()[:-1]]
    closure, place = np.divmod(good, 96)
    closures = np.array([f"{name[0]}{c + 1:03d}" for c in range(closure.max() + 1)], object)
    places = np.array([f"/{n // 12 + 1}/{n % 12 + 1}" for n in range(96)], object)
    return np.asarray(closures[closure] + places[place])


def _names(names: list[str], place: npt.NDArray[np.int64]) -> npt.NDArray[np.object_]:
    return np.array(names, object)[place]
