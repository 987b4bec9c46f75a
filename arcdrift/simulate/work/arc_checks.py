"""Daily arc checks: when they happen, what they find, and the setting they leave behind."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.signal import lfilter

from arcdrift.arrays import Bools, Floats, Ints, Microseconds
from arcdrift.simulate.crew.faults import of_kind
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec

Plan = Literal["on-time", "retry", "late", "missed", "failed-only"]

_REPEAT_S = 330
"""From a failed check to its repeat."""


@dataclass(frozen=True)
class Slopes:
    """True arc coefficients of one splicer, in its own setting unit."""

    base: float
    density: float
    vapor: float
    wear: float
    noise_sd: float
    scale: float
    step: float

    def physics(self, density: Floats, vapor: Floats, arcs: Floats) -> Floats:
        """Setting that air and wear ask for (reference 1.2 kg/m3, 10 hPa, new electrodes)."""
        return (
            self.base
            + self.density * (density - 1.2)
            + self.vapor * (vapor - 10.0)
            + self.wear * arcs / 1000.0
        )


def slopes_of(scenario: Scenario, splicer: SplicerSpec) -> Slopes:
    """Draw the coefficients of one splicer around the crew's law."""
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
    scenario: Scenario, splicer: SplicerSpec, days: pd.DataFrame, renewed: Bools
) -> npt.NDArray[np.object_]:
    """Decide how each day's check goes.

    Parameters
    ----------
    scenario : Scenario
        Habits, faults, and how the last day stands.
    splicer : SplicerSpec
        Whose days these are.
    days : DataFrame
        Rows of `arcdrift.simulate.work.shifts.plan_days` of that splicer.
    renewed : ndarray of bool
        Days that begin with new electrodes; nobody forgets the check then.

    Returns
    -------
    ndarray of str
        A `Plan` for each day.
    """
    rng = scenario.rng("habits", splicer.name)
    habits = scenario.habits
    edges = np.cumsum([habits.missed, habits.late, habits.failed_only, habits.retry])
    names = np.array(["missed", "late", "failed-only", "retry", "on-time"], object)
    plan = names[np.searchsorted(edges, rng.random(len(days)), side="right")]
    plan[renewed & (plan != "retry")] = "on-time"

    noon = days["midnight"].to_numpy() + 12 * 3600
    for fault in of_kind(scenario.faults, "checks-skipped", splicer.name):
        skipped = fault.active(noon, scenario.time_zone) & (rng.random(len(days)) < fault.size)
        plan[skipped] = "missed"
    for fault in of_kind(scenario.faults, "check-failed", splicer.name):
        plan[fault.active(noon, scenario.time_zone)] = "failed-only"
    if scenario.ends_at is not None:
        last = (days["day"] == scenario.days - 1).to_numpy()
        state = dict(scenario.today).get(splicer.name, "checked")
        plan[last] = "missed" if state == "unchecked" else "on-time"
    return plan


def check_times(
    plan: npt.NDArray[np.object_],
    at: Microseconds,
    row: Ints,
    seed: np.random.Generator,
) -> pd.DataFrame:
    """Attempts of every day.

    Parameters
    ----------
    plan : ndarray of str
        A `Plan` for each day.
    at, row : ndarray of int
        Splice times and the day each belongs to.
    seed : Generator
        Random numbers of this splicer's checks.

    Returns
    -------
    DataFrame
        ``row``, ``checked_at`` (seconds since 1970 UTC), ``outcome``; in time order. A late
        check falls between two splices.
    """
    first = np.searchsorted(row, np.arange(len(plan)))
    count = np.bincount(row, minlength=len(plan))
    early = at[first] - seed.integers(240, 840, len(plan))
    before = np.clip(seed.integers(3, 26, len(plan)), 1, count - 1)
    between = (at[first + before - 1] + at[np.minimum(first + before, len(at) - 1)]) // 2
    when = np.where(plan == "late", between, early)

    tried = np.flatnonzero(plan != "missed")
    outcome = np.where(plan[tried] == "failed-only", "fail", "pass")
    attempts = pd.DataFrame({"row": tried, "checked_at": when[tried], "outcome": outcome})
    repeated = np.flatnonzero(plan == "retry")
    failed = pd.DataFrame(
        {"row": repeated, "checked_at": when[repeated] - _REPEAT_S, "outcome": "fail"}
    )
    return pd.concat([failed, attempts]).sort_values("checked_at", ignore_index=True)


def settings_found(
    scenario: Scenario,
    splicer: SplicerSpec,
    slopes: Slopes,
    need: Floats,
    passed: Bools,
) -> Floats:
    """Setting each check stores: the need, AR(1) noise, rounded to the step; NaN when failed."""
    law = scenario.arc
    shocks = scenario.rng("check noise", splicer.name).normal(size=len(need))
    shocks[1:] *= np.sqrt(1.0 - law.noise_lag**2)
    noise = slopes.noise_sd * np.asarray(lfilter([1.0], [1.0, -law.noise_lag], shocks))
    stored = np.round((need + noise) / slopes.step) * slopes.step
    return np.where(passed, np.round(stored, 6), np.nan)


def arc_shift(
    scenario: Scenario, splicer: SplicerSpec, at: Microseconds, renewals: Microseconds
) -> Floats:
    """Shift of the needed setting by planted arc faults, units of a model of scale 1.

    A step leaves with the electrodes that caused it; a drift goes on.
    """
    shift = np.zeros(len(at))
    for fault in of_kind(scenario.faults, "arc-step", splicer.name):
        begin, end = fault.span(scenario.time_zone)
        later = renewals[renewals > begin]
        end = min(end, later[0] if len(later) else np.inf)
        shift += fault.size * ((at >= begin) & (at < end))
    for fault in of_kind(scenario.faults, "arc-drift", splicer.name):
        begin, end = fault.span(scenario.time_zone)
        shift += fault.size * np.clip(at - begin, 0.0, end - begin) / 86_400.0
    return shift


def renewals(used: Floats, limits: Floats, start: float) -> Ints:
    """Days on whose morning a worn part is renewed.

    Parameters
    ----------
    used : ndarray of float
        Use counted up to the morning of each day.
    limits : ndarray of float
        Use at which it is renewed, by day.
    start : float
        Use of the first part before the first day.

    Returns
    -------
    ndarray of int
        Positions of the days.
    """
    found: list[int] = []
    zero, place = -start, 0
    while True:
        over = np.flatnonzero(used[place:] - zero >= limits[place:])
        if not len(over):
            return np.array(found, np.int64)
        place += int(over[0])
        found.append(place)
        zero = used[place]
        place += 1
