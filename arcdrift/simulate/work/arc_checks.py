"""Daily arc checks: their times, their outcomes and the settings they store."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.signal import lfilter

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.simulate.crew.faults import faults_of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec

_REPEAT_DELAY_S = 330
"""Time from a failed check to its repeat."""


@dataclass(frozen=True)
class Slopes:
    """True arc coefficients of one splicer, in the unit of its setting."""

    base: float
    density: float
    vapor: float
    wear: float
    noise_sd: float
    scale: float
    step: float

    def required(self, density: Floats, vapor: Floats, arcs: Floats) -> Floats:
        """Return the setting that the arc needs; `base` is for 1.2 kg/m3, 10 hPa and no arcs."""
        return (
            self.base
            + self.density * (density - 1.2)
            + self.vapor * (vapor - 10.0)
            + self.wear * arcs / 1000.0
        )


def draw_slopes(scenario: Scenario, splicer: SplicerSpec) -> Slopes:
    """Draw the coefficients of one splicer around those of the crew's `ArcLaw`."""
    rng = scenario.rng("slopes", splicer.name)
    model, law = scenario.model_of(splicer), scenario.arc
    density, vapor, wear = (
        model.scale * value * (1.0 + law.spread * rng.normal())
        for value in (law.density, law.vapor, law.wear)
    )
    return Slopes(
        splicer.base, density, vapor, wear, model.scale * law.noise_sd, model.scale, model.step
    )


def plan_checks(
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, new_electrodes: Bools
) -> npt.NDArray[np.object_]:
    """Draw the course of each day's check.

    Parameters
    ----------
    scenario : Scenario
        Has the habits, the faults and the state of the last day.
    splicer : SplicerSpec
        The splicer.
    days : DataFrame
        The splicer's rows of `arcdrift.simulate.work.shifts.plan_days`.
    renewed : ndarray of bool
        Days that begin with new electrodes; the check is never forgotten then.

    Returns
    -------
    ndarray of str
        ``on-time``, ``retry``, ``late``, ``missed`` or ``failed-only`` for each day.
    """
    rng = scenario.rng("habits", splicer.name)
    habits = scenario.habits
    cumulative_shares = np.cumsum([habits.missed, habits.late, habits.failed_only, habits.retry])
    names = np.array(["missed", "late", "failed-only", "retry", "on-time"], object)
    plan = names[np.searchsorted(cumulative_shares, rng.random(len(days)), side="right")]
    plan[new_electrodes & (plan != "retry")] = "on-time"

    noon = days["midnight"].to_numpy() + 12 * 3600
    for fault in faults_of_kind(scenario.faults, "checks-skipped", splicer.name):
        skipped = fault.active(noon, scenario.time_zone) & (rng.random(len(days)) < fault.size)
        plan[skipped] = "missed"
    for fault in faults_of_kind(scenario.faults, "check-failed", splicer.name):
        plan[fault.active(noon, scenario.time_zone)] = "failed-only"
    if scenario.ends_at is not None:
        last = (days["day"] == scenario.days - 1).to_numpy()
        state = dict(scenario.today).get(splicer.name, "checked")
        plan[last] = "missed" if state == "unchecked" else "on-time"
    return plan


def check_attempts(
    plan: npt.NDArray[np.object_],
    times: Ints,
    day_index: Ints,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the time and outcome of every attempt at a check.

    Parameters
    ----------
    plan : ndarray of str
        The plan of each day, from `plan_checks`.
    times, day_index : ndarray of int
        Splice times, and the day that each belongs to.
    seed : Generator
        Random numbers of this splicer's checks.

    Returns
    -------
    DataFrame
        ``day_index``, ``checked_at`` (seconds since 1970 UTC), ``outcome``; in time order. A
        late check is between two splices.
    """
    first = np.searchsorted(day_index, np.arange(len(plan)))
    count = np.bincount(day_index, minlength=len(plan))
    before_work = times[first] - rng.integers(240, 840, len(plan))
    splices_before = np.clip(rng.integers(3, 26, len(plan)), 1, count - 1)
    between_splices = (
        times[first + splices_before - 1]
        + times[np.minimum(first + splices_before, len(times) - 1)]
    ) // 2
    attempt_times = np.where(plan == "late", between_splices, before_work)

    attempted_days = np.flatnonzero(plan != "missed")
    outcome = np.where(plan[attempted_days] == "failed-only", "fail", "pass")
    attempts = pd.DataFrame(
        {
            "day_index": attempted_days,
            "checked_at": attempt_times[attempted_days],
            "outcome": outcome,
        }
    )
    retried_days = np.flatnonzero(plan == "retry")
    failed = pd.DataFrame(
        {
            "day_index": retried_days,
            "checked_at": attempt_times[retried_days] - _REPEAT_DELAY_S,
            "outcome": "fail",
        }
    )
    return pd.concat([failed, attempts]).sort_values("checked_at", ignore_index=True)


def stored_settings(
    scenario: Scenario,
    splicer: SplicerSpec,
    slopes: Slopes,
    required: Floats,
    passed: Bools,
) -> Floats:
    """Return the setting that each check stores; NaN if it failed.

    It is the required setting plus AR(1) noise, rounded to the step of the model.
    """
    law = scenario.arc
    shocks = scenario.rng("check noise", splicer.name).normal(size=len(required))
    shocks[1:] *= np.sqrt(1.0 - law.noise_lag**2)
    noise = slopes.noise_sd * np.asarray(lfilter([1.0], [1.0, -law.noise_lag], shocks))
    stored = np.round((required + noise) / slopes.step) * slopes.step
    return np.where(passed, np.round(stored, 6), np.nan)


def arc_shift(scenario: Scenario, splicer: SplicerSpec, times: Ints, replaced_at: Ints) -> Floats:
    """Return the shift of the required setting by planted faults, for a model of scale 1.

    A step ends when the electrodes are replaced; a drift does not.
    """
    shift = np.zeros(len(times))
    for fault in faults_of_kind(scenario.faults, "arc-step", splicer.name):
        start_s, end_s = fault.span(scenario.time_zone)
        later_replacements = replaced_at[replaced_at > start_s]
        end_s = min(end_s, later_replacements[0] if len(later_replacements) else np.inf)
        shift += fault.size * ((times >= start_s) & (times < end_s))
    for fault in faults_of_kind(scenario.faults, "arc-drift", splicer.name):
        start_s, end_s = fault.span(scenario.time_zone)
        shift += fault.size * np.clip(times - start_s, 0.0, end_s - start_s) / 86_400.0
    return shift


def replacement_days(used: Floats, limits: Floats, start: float) -> Ints:
    """Find the days on whose morning a worn part is replaced.

    Parameters
    ----------
    used : ndarray of float
        Cumulative use up to the morning of each day.
    limits : ndarray of float
        Use at which the part is replaced, for each day.
    start : float
        Use of the first part before the first day.

    Returns
    -------
    ndarray of int
        Indices of the days.
    """
    days: list[int] = []
    use_at_last_replacement, day = -start, 0
    while True:
        days_over = np.flatnonzero(used[day:] - use_at_last_replacement >= limits[day:])
        if not len(days_over):
            return np.array(days, np.int64)
        day += int(days_over[0])
        days.append(day)
        use_at_last_replacement = used[day]
        day += 1
