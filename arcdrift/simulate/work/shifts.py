"""Planning of workdays: who works with which splicer at which site, and the times of splices.

Habits are common practice, no source: weekdays, a start near 08:00, a break at noon, the same
technician at a splicer for some days, sometimes a stand-in for an afternoon. In a crew with night
shifts some splicers start near 20:30 and stop before six; in a crew with weekend work each splicer
works on a share of Saturdays and Sundays.
"""

from datetime import datetime, time, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.errors import UsageError
from arcdrift.simulate.crew.faults import faults_of_kind
from arcdrift.simulate.crew.scenario import Scenario

_NOON_S = 12 * 3600
_SHORTEST_SPLICE_S = 75
_SHIFT_S = 6.2 * 3600
"""Working time in a day; with more splices a day, each takes less time."""

_SLOW_S = 4.5 * 3600
"""Time after the break at which a slow person stops."""
_WEEKLY_SWAPS = 0.35
_DAILY_SWAPS = 0.12
_STAND_IN_SHARE = 0.5
_SECOND_PROGRAM_SHARE = 0.3

_NIGHT_S = 12.5 * 3600
"""How much later than a day shift a night shift does everything."""
_NIGHT_STOPS_S = 28 * 3600 + 3000
"""A night shift stops by 04:50, which stays before 06:00 when clocks go forward."""


def plan_days(scenario: Scenario) -> pd.DataFrame:
    """Plan all workdays of all splicers.

    Returns
    -------
    DataFrame
        One row per splicer and workday, sorted: ``splicer``, ``day``, ``site``,
        ``technician``, ``stand_in`` (afternoon, -1 for none), ``morning`` and ``afternoon``
        (programs), all as indices into the scenario; ``splices``; ``midnight`` (local
        midnight, seconds since 1970 UTC, with the offset of noon); seconds after it of the
        first splice ``first_s``, of the break ``break_s`` and of the end of work ``stop_s``;
        ``delay_s``, how much later than on a day shift everything else happens.
    """
    rng = scenario.rng("shifts")
    splicers, technicians = len(scenario.splicers), len(scenario.technicians)
    home = np.array([_site_index(scenario, s.home_site) for s in scenario.splicers])
    shares = np.array([_program_shares(scenario, s.programs) for s in scenario.splicers])
    joined = [t.joins or scenario.start for t in scenario.technicians]
    today = dict(scenario.today)
    pairing = np.arange(technicians)
    works_nights = scenario.rng("night shifts").random(splicers) < scenario.habits.night
    swaps = scenario.habits.swaps
    day_parts: list[dict[str, npt.NDArray[Any]]] = []
    for number in range(scenario.days):
        day = scenario.start + timedelta(days=number)
        if day.weekday() == 0:
            _swap_pairs(rng, pairing, round(_WEEKLY_SWAPS * splicers * swaps))
        weekend = day.weekday() >= 5
        if (weekend and scenario.habits.weekend == 0) or day in scenario.days_off:
            continue
        _swap_pairs(rng, pairing, int(rng.random() < _DAILY_SWAPS * splicers * swaps))
        has_joined = np.array([start <= day for start in joined])
        technician, spare = _assign_technicians(pairing, has_joined, splicers)

        at_work = scenario.habits.weekend if weekend else scenario.habits.at_work
        is_working = rng.random(splicers) < at_work
        if day == scenario.last_day and scenario.ends_at is not None:
            is_working = np.array([today.get(s.name) != "not-started" for s in scenario.splicers])
        stand_in = np.full(splicers, -1)
        for person in spare[rng.random(len(spare)) < _STAND_IN_SHARE * min(swaps, 1.0)]:
            stand_in[rng.integers(splicers)] = person
        morning = (rng.random((splicers, 1)) > shares.cumsum(axis=1)).sum(axis=1)
        second_program = (rng.random((splicers, 1)) > shares.cumsum(axis=1)).sum(axis=1)
        afternoon = np.where(rng.random(splicers) < _SECOND_PROGRAM_SHARE, second_program, morning)
        count = rng.poisson(rng.gamma(12.0, scenario.splices_per_day / 12.0, splicers))
        noon = scenario.utc(datetime.combine(day, time(12))).timestamp()
        day_values = {
            "splicer": np.arange(splicers),
            "day": np.full(splicers, number),
            "site": home,
            "technician": technician,
            "stand_in": stand_in,
            "morning": morning,
            "afternoon": afternoon,
            "splices": np.maximum(count, 2),
            "midnight": np.full(splicers, int(noon) - _NOON_S),
            "first_s": np.clip(rng.normal(29_400, 700, splicers), 27_600, 32_400),
            "night": works_nights,
        }
        day_parts.append({name: values[is_working] for name, values in day_values.items()})
    if not sum(len(day_part["splicer"]) for day_part in day_parts):
        raise UsageError("The days to simulate hold no workday; choose a longer stretch.")
    days = pd.DataFrame(
        {name: np.concatenate([part[name] for part in day_parts]) for name in day_parts[0]}
    )
    delay_s = _NIGHT_S * days.pop("night").to_numpy(np.float64)
    days["first_s"] += delay_s
    days["break_s"] = _NOON_S + delay_s
    days["stop_s"] = np.where(delay_s > 0, _NIGHT_STOPS_S, np.inf)
    days["delay_s"] = delay_s.astype(np.int64)
    return _apply_site_moves(scenario, days).sort_values(["splicer", "day"], ignore_index=True)


def splice_times(
    scenario: Scenario, days: pd.DataFrame, rng: np.random.Generator
) -> tuple[Ints, Ints]:
    """Draw the times of all splices of one splicer.

    Parameters
    ----------
    scenario : Scenario
        Determines the end of the records.
    days : DataFrame
        Rows of `plan_days` of one splicer.
    rng : Generator
        Random numbers of this splicer.

    Returns
    -------
    times : ndarray of int
        Seconds since 1970 UTC, increasing.
    day_index : ndarray of int
        Index into `days` of each splice.
    """
    count = days["splices"].to_numpy()
    day_index = np.repeat(np.arange(len(days)), count)
    pace = np.clip(_SHIFT_S / count, _SHORTEST_SPLICE_S + 30, 420.0)[day_index] - _SHORTEST_SPLICE_S
    gap = _SHORTEST_SPLICE_S + rng.gamma(2.5, pace / 2.5)
    first = np.r_[0, count.cumsum()[:-1]]
    gap[first] = 0.0
    pause = np.clip(rng.normal(2_700, 500, len(days)), 1_500, 4_500)

    def worked(gap: Floats) -> tuple[Floats, Bools]:
        total = gap.cumsum()
        seconds = days["first_s"].to_numpy(np.float64)[day_index] + total - total[first][day_index]
        return seconds, np.asarray(seconds > days["break_s"].to_numpy(np.float64)[day_index])

    seconds_of_day, after_break = worked(gap)
    factors = _pace_factors(scenario, days)
    if (factors != 1.0).any():
        gap *= factors[day_index, after_break.astype(np.int64)]
        seconds_of_day, after_break = worked(gap)
    seconds_of_day = np.where(after_break, seconds_of_day + pause[day_index], seconds_of_day)
    times = np.round(days["midnight"].to_numpy()[day_index] + seconds_of_day).astype(np.int64)
    within_hours = times < int(scenario.end.timestamp())
    within_hours &= seconds_of_day < days["stop_s"].to_numpy()[day_index]
    # who is slow makes fewer splices, and no longer days
    stop = np.where((factors > 1.0).any(axis=1), days["break_s"].to_numpy() + _SLOW_S, np.inf)
    within_hours &= seconds_of_day < stop[day_index]
    return times[within_hours], day_index[within_hours]


def _pace_factors(scenario: Scenario, days: pd.DataFrame) -> Floats:
    """Return the factors on the time between splices before and after each day's break."""
    factors = np.ones((len(days), 2))
    noon = days["midnight"].to_numpy() + _NOON_S
    technician, stand_in = days["technician"].to_numpy(), days["stand_in"].to_numpy()
    people = np.stack([technician, np.where(stand_in < 0, technician, stand_in)], axis=1)
    programs = days[["morning", "afternoon"]].to_numpy()
    for fault in scenario.faults:
        if fault.kind == "slow-beginner":
            names, who = [t.name for t in scenario.technicians], people
        elif fault.kind == "easy-program":
            names, who = [p.name for p in scenario.programs], programs
        else:
            continue
        name = fault.target if fault.kind == "easy-program" else fault.subject
        acts = fault.active(noon, scenario.time_zone)[:, None] & (who == names.index(str(name)))
        factors[acts] *= fault.size
    return factors


def _site_index(scenario: Scenario, site: str) -> int:
    return next(n for n, known in enumerate(scenario.sites) if known.name == site)


def _program_shares(scenario: Scenario, programs: tuple[tuple[str, float], ...]) -> Floats:
    share_by_program = dict(programs) or {p.name: 1.0 for p in scenario.programs}
    shares = np.array([share_by_program.get(program.name, 0.0) for program in scenario.programs])
    return np.asarray(shares / shares.sum())


def _swap_pairs(rng: np.random.Generator, pairing: Ints, count: int) -> None:
    """Swap random pairs of technicians in place, `count` times."""
    for _ in range(count):
        first, second = rng.integers(len(pairing), size=2)
        pairing[[first, second]] = pairing[[second, first]]


def _assign_technicians(pairing: Ints, has_joined: Bools, splicers: int) -> tuple[Ints, Ints]:
    """Return the technician of each splicer, and the spare technicians who have joined."""
    unstaffed = np.flatnonzero(~has_joined[pairing[:splicers]])
    available = splicers + np.flatnonzero(has_joined[pairing[splicers:]])
    for splicer_index, spare in zip(unstaffed, available, strict=False):
        pairing[[splicer_index, spare]] = pairing[[spare, splicer_index]]
    spare_people = pairing[splicers:]
    return pairing[:splicers].copy(), spare_people[has_joined[spare_people]]


def _apply_site_moves(scenario: Scenario, days: pd.DataFrame) -> pd.DataFrame:
    names = [s.name for s in scenario.splicers]
    noon = days["midnight"].to_numpy() + _NOON_S
    for move in faults_of_kind(scenario.faults, "site-move"):
        affected = days["splicer"] == names.index(move.subject)
        affected &= move.active(noon, scenario.time_zone)
        days.loc[affected, "site"] = _site_index(scenario, str(move.target))
    return days
