"""One splicer's records: checks, splices and service, from its planned days."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.arrays import Bools, Floats, Ints, Microseconds
from arcdrift.simulate.air.weather import Weather
from arcdrift.simulate.crew.faults import of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.arc_checks import (
    Slopes,
    check_times,
    plan_checks,
    renewals,
    settings_found,
    slopes_of,
)
from arcdrift.simulate.work.blade import use_blade
from arcdrift.simulate.work.record_rows import check_rows, service_rows, splice_rows
from arcdrift.simulate.work.required_setting import Advised, Need
from arcdrift.simulate.work.shifts import splice_times
from arcdrift.simulate.work.splicing import Place, make_work

MORNING_ARCS = 5
"""Cleaning and test arcs of a morning, whether or not the check is finished (invented)."""
REARC_SHARE = 0.03
MORNING_S = 7 * 3600 + 600
"""When service is done before work, by day."""


@dataclass(frozen=True)
class MachineTruth:
    """What truly happened at one splicer; times are seconds since 1970 UTC."""

    slopes: Slopes
    check_days: pd.DataFrame
    electrodes: list[tuple[int, float]]
    """When electrodes were replaced, and the arcs on the old ones."""
    worn_out: list[int]
    """Splices at which a pair of electrodes passed its life."""


@dataclass(frozen=True)
class MachineRecords:
    """Records of one splicer with the truth; times are seconds since 1970 UTC."""

    checks: pd.DataFrame
    splices: pd.DataFrame
    service: pd.DataFrame
    truth: MachineTruth
    advised: Advised


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
        That splicer's rows of `arcdrift.simulate.work.shifts.plan_days`, in order.
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
    morning = midnight + MORNING_S + days["later_s"].to_numpy()

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
    need = Need(scenario, splicer, weather, slopes, morning[renewed], level)
    asked = need.required(c_at, site[c_row], c_arcs, pair[c_row])
    found = settings_found(scenario, splicer, slopes, asked, passed)
    wanted = need.required(at, site[row], s_arcs, pair[row])
    latest = np.searchsorted(c_at[passed], at, side="right") - 1
    # before its first check on record a splicer runs on a setting that suited that morning
    in_force = np.where(latest >= 0, np.r_[found[passed], 0.0][latest], wanted[0])

    base = 0.0 if model.counter_resets else splicer.arcs_at_start
    counter = zero * (not model.counter_resets) + base
    blade = use_blade(scenario, splicer, row, midnight)
    work = make_work(scenario, splicer, days, Place(at, row, s_arcs, wanted - in_force, blade), rng)
    splices = splice_rows(scenario, splicer, days, work, rng)
    splices["arc_count"] = (s_arcs + counter[row]).astype(np.int64)
    checks = check_rows(
        scenario, splicer, c_at, checks["outcome"], found, c_arcs + counter[c_row],
        days["technician"].to_numpy()[c_row], site[c_row], weather,
    )  # fmt: skip
    service = service_rows(scenario, splicer, days, morning, renewed, blade)
    overdue = np.r_[False, s_arcs > model.electrode_life_arcs]
    worn_off = used[renewed] - zero[renewed - 1]
    begins = np.minimum(at[np.searchsorted(row, np.arange(len(days)))], morning)
    return MachineRecords(
        checks,
        splices,
        service,
        MachineTruth(
            slopes,
            _check_days(scenario, splicer, days, at, row, c_at, c_row, passed),
            list(zip(morning[renewed].tolist(), worn_off.tolist(), strict=True)),
            at[(overdue[1:] > overdue[:-1]).nonzero()].tolist(),
        ),
        Advised(
            need, begins, site, at, s_arcs, c_at, c_at[passed], found[passed], float(wanted[0])
        ),
    )


def _electrode_limits(scenario: Scenario, splicer: SplicerSpec, midnight: Microseconds) -> Floats:
    life = scenario.model_of(splicer).electrode_life_arcs
    rng = scenario.rng("electrodes", splicer.name)
    limits = life * (1.0 + 0.02 * rng.normal(size=len(midnight)))
    for fault in of_kind(scenario.faults, "electrodes-late", splicer.name):
        limits[fault.active(midnight, scenario.time_zone)] = fault.size
    for fault in of_kind(scenario.faults, "electrodes-kept", splicer.name):
        limits[fault.active(midnight, scenario.time_zone)] = np.inf
    return np.asarray(limits)


def _check_days(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, at: Microseconds,
    row: Ints, c_at: Microseconds, c_row: Ints,
    passed: Bools,
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
