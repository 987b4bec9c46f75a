"""The records of one splicer: checks, splices and service events of its workdays."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.arrays import Bools, Ints
from arcdrift.simulate.air.weather import Weather
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.arc_checks import (
    Slopes,
    check_attempts,
    draw_slopes,
    plan_checks,
    stored_settings,
)
from arcdrift.simulate.work.blade import use_blade
from arcdrift.simulate.work.electrodes import use_electrodes
from arcdrift.simulate.work.record_rows import check_rows, service_rows, splice_rows
from arcdrift.simulate.work.required_setting import RequiredSetting, SettingTruth
from arcdrift.simulate.work.shifts import splice_times
from arcdrift.simulate.work.splice_errors import chipped_position
from arcdrift.simulate.work.splicing import MachineState, draw_work

SERVICE_TIME_S = 7 * 3600 + 600
"""Time after midnight at which service before work is done, on a day shift."""


@dataclass(frozen=True)
class SplicerTruth:
    """The truth about one splicer; times are seconds since 1970 UTC."""

    slopes: Slopes
    check_days: pd.DataFrame
    electrodes: list[tuple[int, float]]
    """Time of each replacement of electrodes, and the arcs on the old pair."""
    worn_out: list[int]
    """Times of the splices at which a pair of electrodes exceeded its life."""
    chipped: dict[int, int]
    """Blade position that each fault of a chipped blade is about, by the number of the fault."""


@dataclass(frozen=True)
class SplicerRecords:
    """The records of one splicer and the truth; times are seconds since 1970 UTC."""

    checks: pd.DataFrame
    splices: pd.DataFrame
    service: pd.DataFrame
    truth: SplicerTruth
    setting_truth: SettingTruth

    @property
    def frames(self) -> dict[str, pd.DataFrame]:
        """The frames by kind of record."""
        return {"arc-checks": self.checks, "splices": self.splices, "service": self.service}


def simulate_splicer(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, weather: Weather
) -> SplicerRecords:
    """Simulate one splicer.

    Parameters
    ----------
    scenario : Scenario
        The whole crew.
    splicer : SplicerSpec
        One of its splicers.
    days : DataFrame
        The splicer's rows of `arcdrift.simulate.work.shifts.plan_days`, in order.
    weather : Weather
        The air at the sites.

    Returns
    -------
    SplicerRecords
        Frames with the record columns, and the truth.
    """
    rng = scenario.rng("splices", splicer.name)
    model = scenario.model_of(splicer)
    slopes = draw_slopes(scenario, splicer)
    splice_time, splice_day = splice_times(scenario, days, rng)
    days = days[np.bincount(splice_day, minlength=len(days)) > 0]
    splice_day = np.unique(splice_day, return_inverse=True)[1]
    midnight = days["midnight"].to_numpy()
    service_time = midnight + SERVICE_TIME_S + days["delay_s"].to_numpy()
    electrodes = use_electrodes(scenario, splicer, splice_day, midnight, rng)
    splice_arcs, replaced_days = electrodes.splice_arcs, electrodes.replaced_days

    new_electrodes = np.isin(np.arange(len(days)), replaced_days)
    plan = plan_checks(scenario, splicer, days, new_electrodes)
    checks = check_attempts(plan, splice_time, splice_day, scenario.rng("checks", splicer.name))
    check_time, check_day = checks["checked_at"].to_numpy(), checks["day_index"].to_numpy()
    passed = (checks["outcome"] == "pass").to_numpy()
    check_arcs = electrodes.check_arcs(
        check_day,
        splices_before_check=np.searchsorted(splice_time, check_time),
        splices_before_day=np.searchsorted(splice_day, check_day),
    )

    site, pair = days["site"].to_numpy(), electrodes.pair
    pair_levels = scenario.rng("pairs", splicer.name).normal(size=len(replaced_days) + 1)
    law = RequiredSetting(
        scenario, splicer, weather, slopes,
        replaced_at=service_time[replaced_days],
        level=model.scale * scenario.arc.pair_sd * pair_levels,
    )  # fmt: skip
    required_at_checks = law.required(check_time, site[check_day], check_arcs, pair[check_day])
    stored = stored_settings(scenario, splicer, slopes, required_at_checks, passed)
    required = law.required(splice_time, site[splice_day], splice_arcs, pair[splice_day])
    latest_check = np.searchsorted(check_time[passed], splice_time, side="right") - 1
    # before its first check on record a splicer has the setting that its first splice requires
    in_force = np.where(latest_check >= 0, np.r_[stored[passed], 0.0][latest_check], required[0])

    # a counter that never restarts goes on from the arcs at the start
    resets = model.counter_resets
    initial_count = 0.0 if resets else splicer.arcs_at_start
    count_offset = electrodes.arcs_at_replacement * (not resets) + initial_count
    blade = use_blade(scenario, splicer, splice_day, midnight)
    state = MachineState(splice_time, splice_day, splice_arcs, required - in_force, blade)
    work = draw_work(scenario, splicer, days, state, rng)
    splices = splice_rows(scenario, splicer, days, work, rng)
    splices["arc_count"] = (splice_arcs + count_offset[splice_day]).astype(np.int64)
    check_frame = check_rows(
        scenario, splicer, check_time, checks["outcome"], stored,
        check_arcs + count_offset[check_day], days["technician"].to_numpy()[check_day],
        site[check_day], weather,
    )  # fmt: skip
    is_over_life = np.r_[False, splice_arcs > model.electrode_life_arcs]
    replacements = zip(
        service_time[replaced_days].tolist(), electrodes.arcs_on_old_pairs.tolist(), strict=True
    )
    first_splice = splice_time[np.searchsorted(splice_day, np.arange(len(days)))]
    return SplicerRecords(
        checks=check_frame,
        splices=splices,
        service=service_rows(scenario, splicer, days, service_time, replaced_days, blade),
        truth=SplicerTruth(
            slopes,
            _check_days(
                scenario, splicer, days, splice_time, splice_day, check_time, check_day, passed
            ),
            list(replacements),
            splice_time[(is_over_life[1:] > is_over_life[:-1]).nonzero()].tolist(),
            {
                number: chipped_position(scenario, splicer, fault, splice_time, blade.position)
                for number, fault in enumerate(scenario.faults)
                if fault.kind == "blade-chipped" and fault.subject == splicer.cleaver
            },
        ),
        setting_truth=SettingTruth(
            law=law,
            day_starts=np.minimum(first_splice, service_time),
            site=site,
            spliced_at=splice_time,
            arcs=splice_arcs,
            checked_at=check_time,
            passed_at=check_time[passed],
            stored=stored[passed],
            initial=float(required[0]),
        ),
    )


def _check_days(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, splice_time: Ints,
    splice_day: Ints, check_time: Ints, check_day: Ints, passed: Bools,
) -> pd.DataFrame:  # fmt: skip
    """Return the true status of each day's check, from the times of checks and splices."""
    no_pass = np.iinfo(np.int64).max
    first_pass = np.full(len(days), no_pass)
    np.minimum.at(first_pass, check_day[passed], check_time[passed])
    has_attempt = np.bincount(check_day, minlength=len(days)) > 0
    is_before_check = splice_time < first_pass[splice_day]
    splices_before_check = np.bincount(splice_day[is_before_check], minlength=len(days))
    has_pass = first_pass < no_pass
    is_running = (scenario.ends_at is not None) & (days["day"].to_numpy() == scenario.days - 1)
    status = np.select(
        [has_pass & (splices_before_check == 0), has_pass, has_attempt, is_running],
        ["checked", "late", "failed-only", "due"],
        "missed",
    )
    dates = pd.Timestamp(scenario.start) + pd.to_timedelta(days["day"].to_numpy(), unit="D")
    return pd.DataFrame(
        {
            "splicer": splicer.name,
            "day": dates.strftime("%Y-%m-%d"),
            "status": status,
            "splices": np.bincount(splice_day, minlength=len(days)),
            "splices_before_check": np.where(has_pass, splices_before_check, 0),
        }
    )
