"""Who splices where and when: splicer-days, their crews of one, and the hours of the day.

Habits are common practice, no source: weekdays, a start near 08:00, a break at noon, one
technician a splicer for some days in a row, a stand-in for an afternoon now and then. Where a
crew works nights, some splicers start near 20:30 and stop before six; where it works weekends,
each splicer works its share of Saturdays and Sundays.
"""

from datetime import datetime, time, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.arrays import Bools, Floats, Ints, Microseconds
from arcdrift.errors import UsageError
from arcdrift.simulate.crew.faults import of_kind
from arcdrift.simulate.crew.scenario import Scenario

_NOON_S = 12 * 3600
_SHORTEST_SPLICE_S = 75
_SHIFT_S = 6.2 * 3600
"""Time at the splicer in a day; many splices a day means faster splices, not a longer day."""

_WEEKLY_SWAPS = 0.35
_DAILY_SWAP = 0.12
_STAND_IN = 0.5
_SECOND_PROGRAM = 0.3

_NIGHT_S = 12.5 * 3600
"""How much later a night shift does everything."""
_NIGHT_STOPS_S = 28 * 3600 + 3000
"""A night shift stops by 04:50, so that clocks going forward leave it short of six."""


def plan_days(scenario: Scenario) -> pd.DataFrame:
    """Plan every splicer-day with work.

    Returns
    -------
    DataFrame
        One row a splicer-day, by splicer and day: ``splicer``, ``day``, ``site``,
        ``technician``, ``stand_in`` (afternoon, -1 for none), ``morning`` and ``afternoon``
        (programs), all as positions in the scenario; ``splices``; ``midnight`` (local
        midnight, seconds since 1970 UTC, with the offset of noon); seconds after it of the
        first splice ``first_s``, of the break ``half_s`` and of the last moment of work
        ``stop_s``; ``later_s``, how much later than by day all else happens.
    """
    rng = scenario.rng("shifts")
    splicers, people = len(scenario.splicers), len(scenario.technicians)
    home = np.array([_position(scenario, s.home_site) for s in scenario.splicers])
    shares = np.array([_shares(scenario, s.programs) for s in scenario.splicers])
    joined = [t.joins or scenario.start for t in scenario.technicians]
    today = dict(scenario.today)
    pairing = np.arange(people)
    night = scenario.rng("night shifts").random(splicers) < scenario.habits.night
    swaps = scenario.habits.swaps
    parts: list[dict[str, npt.NDArray[Any]]] = []
    for number in range(scenario.days):
        day = scenario.start + timedelta(days=number)
        if day.weekday() == 0:
            _swap(rng, pairing, round(_WEEKLY_SWAPS * splicers * swaps))
        weekend = day.weekday() >= 5
        if (weekend and scenario.habits.weekend == 0) or day in scenario.days_off:
            continue
        _swap(rng, pairing, int(rng.random() < _DAILY_SWAP * splicers * swaps))
        here = np.array([start <= day for start in joined])
        who, spare = _present(pairing, here, splicers)

        at_work = scenario.habits.weekend if weekend else scenario.habits.at_work
        works = rng.random(splicers) < at_work
        if day == scenario.last_day and scenario.ends_at is not None:
            works = np.array([today.get(s.name) != "not-started" for s in scenario.splicers])
        stand_in = np.full(splicers, -1)
        for person in spare[rng.random(len(spare)) < _STAND_IN * min(swaps, 1.0)]:
            stand_in[rng.integers(splicers)] = person
        morning = (rng.random((splicers, 1)) > shares.cumsum(axis=1)).sum(axis=1)
        other = (rng.random((splicers, 1)) > shares.cumsum(axis=1)).sum(axis=1)
        afternoon = np.where(rng.random(splicers) < _SECOND_PROGRAM, other, morning)
        count = rng.poisson(rng.gamma(12.0, scenario.splices_per_day / 12.0, splicers))
        noon = scenario.utc(datetime.combine(day, time(12))).timestamp()
        row = {
            "splicer": np.arange(splicers),
            "day": np.full(splicers, number),
            "site": home,
            "technician": who,
            "stand_in": stand_in,
            "morning": morning,
            "afternoon": afternoon,
            "splices": np.maximum(count, 2),
            "midnight": np.full(splicers, int(noon) - _NOON_S),
            "first_s": np.clip(rng.normal(29_400, 700, splicers), 27_600, 32_400),
            "night": night,
        }
        parts.append({name: values[works] for name, values in row.items()})
    if not sum(len(part["splicer"]) for part in parts):
        raise UsageError("The days to simulate hold no workday; choose a longer stretch.")
    days = pd.DataFrame({name: np.concatenate([p[name] for p in parts]) for name in parts[0]})
    later = _NIGHT_S * days.pop("night").to_numpy(np.float64)
    days["first_s"] += later
    days["half_s"] = _NOON_S + later
    days["stop_s"] = np.where(later > 0, _NIGHT_STOPS_S, np.inf)
    days["later_s"] = later.astype(np.int64)
    return _moved(scenario, days).sort_values(["splicer", "day"], ignore_index=True)


def splice_times(
    scenario: Scenario, days: pd.DataFrame, rng: np.random.Generator
) -> tuple[Microseconds, Microseconds]:
    """Times of all splices of one splicer.

    Parameters
    ----------
    scenario : Scenario
        Gives the end of the records.
    days : DataFrame
        Rows of `plan_days` of one splicer.
    rng : Generator
        Random numbers of this splicer.

    Returns
    -------
    at : ndarray of int
        Seconds since 1970 UTC, increasing.
    row : ndarray of int
        Position in `days` of each splice.
    """
    count = days["splices"].to_numpy()
    row = np.repeat(np.arange(len(days)), count)
    pace = np.clip(_SHIFT_S / count, _SHORTEST_SPLICE_S + 30, 420.0)[row] - _SHORTEST_SPLICE_S
    gap = _SHORTEST_SPLICE_S + rng.gamma(2.5, pace / 2.5)
    first = np.r_[0, count.cumsum()[:-1]]
    gap[first] = 0.0
    total = gap.cumsum()
    at = days["first_s"].to_numpy()[row] + total - total[first][row]
    pause = np.clip(rng.normal(2_700, 500, len(days)), 1_500, 4_500)
    at = np.where(at > days["half_s"].to_numpy()[row], at + pause[row], at)
    instant = np.round(days["midnight"].to_numpy()[row] + at).astype(np.int64)
    kept = (instant < int(scenario.end.timestamp())) & (at < days["stop_s"].to_numpy()[row])
    return instant[kept], row[kept]


def _position(scenario: Scenario, site: str) -> int:
    return next(n for n, known in enumerate(scenario.sites) if known.name == site)


def _shares(scenario: Scenario, programs: tuple[tuple[str, float], ...]) -> Floats:
    given = dict(programs) or {p.name: 1.0 for p in scenario.programs}
    shares = np.array([given.get(program.name, 0.0) for program in scenario.programs])
    return np.asarray(shares / shares.sum())


def _swap(rng: np.random.Generator, pairing: Ints, times: int) -> None:
    for _ in range(times):
        one, other = rng.integers(len(pairing), size=2)
        pairing[[one, other]] = pairing[[other, one]]


def _present(pairing: Ints, here: Bools, splicers: int) -> tuple[Ints, Ints]:
    """Technician of each splicer, and who is spare; whoever has not joined yet waits."""
    absent = np.flatnonzero(~here[pairing[:splicers]])
    ready = splicers + np.flatnonzero(here[pairing[splicers:]])
    for slot, spare in zip(absent, ready, strict=False):
        pairing[[slot, spare]] = pairing[[spare, slot]]
    rest = pairing[splicers:]
    return pairing[:splicers].copy(), rest[here[rest]]


def _moved(scenario: Scenario, days: pd.DataFrame) -> pd.DataFrame:
    names = [s.name for s in scenario.splicers]
    noon = days["midnight"].to_numpy() + _NOON_S
    for move in of_kind(scenario.faults, "site-move"):
        there = days["splicer"] == names.index(move.subject)
        there &= move.active(noon, scenario.time_zone)
        days.loc[there, "site"] = _position(scenario, str(move.target))
    return days
