"""Weather over the sites: season, daily cycle, passing systems, fronts, altitude.

All invented but for the physics: temperature falls by the standard lapse of 6.5 K/km
(ISO 2533), station pressure follows sea-level pressure by WMO-No. 8, humidity comes from dew
point and temperature. Highs and lows pass every few days and reach all sites alike. Work in a
heated room or van has the vapor and the pressure of the air outside and the warmth of a room;
a logger stands beside the splicer, a weather station outside.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from arcdrift.air.moist_air import sea_level_pressure, station_pressure, vapor_pressure
from arcdrift.arrays import Floats, Ints, Microseconds
from arcdrift.simulate.air.moist_air import IDEAL_GAS, MOIST_AIR, MoistAir
from arcdrift.simulate.crew.faults import of_kind
from arcdrift.simulate.crew.scenario import Scenario

STEP_S = 900
_DAY_S = 86_400.0
_MUGGIEST_C = 23.0
"""Highest dew point; the mid latitudes seldom see more (invented)."""
_ROOM_C = (18.0, 23.0)
"""Warmth of heated rooms (common practice, no source)."""
_HEATED_FROM_S = 5 * 3600
"""A room is heated from 05:00 to 05:00, so that a night shift keeps its room."""


@dataclass(frozen=True)
class Weather:
    """Air where the work is, on a grid of 15 minutes; arrays are sites x instants.

    ``begin`` is seconds since 1970 UTC; temperature in degrees Celsius, station pressure and
    vapor pressure in hPa, humidity in %, density in kg/m3. ``outside`` is the open air where
    some of the work is in heated rooms.
    """

    begin: int
    temperature: Floats
    station: Floats
    humidity: Floats
    vapor: Floats
    density: Floats
    outside: "Weather | None" = None

    def at(self, quantity: str, site: Ints | int, at: Microseconds) -> Floats:
        """Take one quantity at sites and instants, linear between grid points."""
        grid: Floats = getattr(self, quantity)
        place = (at - self.begin) / STEP_S
        left = np.clip(np.floor(place).astype(np.int64), 0, grid.shape[1] - 2)
        share = place - left
        return np.asarray(grid[site, left] * (1.0 - share) + grid[site, left + 1] * share)


def make_weather(scenario: Scenario) -> Weather:
    """Draw the weather of a scenario."""
    rng = scenario.rng("weather")
    begin = int(scenario.utc(datetime.combine(scenario.start, time())).timestamp()) - 86_400
    count = int((scenario.days + 2) * _DAY_S / STEP_S) + 1
    at = begin + STEP_S * np.arange(count)

    # phases by solar time, near enough to the standard time of the zone
    local: Floats = at + np.float64(_winter_offset(scenario))
    day_of_year = (local / _DAY_S) % 365.2425
    hour = (local % _DAY_S) / 3600.0

    season = np.cos(2 * np.pi * (day_of_year - 205.0) / 365.2425)
    cycle = np.cos(2 * np.pi * (hour - 15.0) / 24.0)
    passing = _wander(rng, count, days=2.5)
    front = _fronts(scenario, at)
    sea_level = 1015.0 - 7.0 * passing + 0.8 * np.cos(4 * np.pi * (hour - 10.0) / 24.0)
    sea_level += 0.7 * front

    air = IDEAL_GAS if scenario.ideal_gas else MOIST_AIR
    temperature, station, humidity = [], [], []
    for site in scenario.sites:
        own = scenario.rng("weather", site.name)
        mean = 14.0 + 10.0 * season - 6.5 * site.elevation_m / 1000.0
        mean += 3.0 * passing + 1.2 * _wander(own, count, days=0.5) - front
        swing = 4.0 + 3.0 * min(site.elevation_m / 2000.0, 1.0)
        warm = mean + swing * cycle
        dew = mean - 7.0 + 2.5 * _wander(own, count, days=1.5) - 0.3 * front
        dew = np.minimum(dew, _MUGGIEST_C)
        relative = 100.0 * air.saturated(dew) / air.saturated(warm)
        relative = np.clip(relative, 8.0, 99.0)
        # the column of air above the sea follows the day's mean, not the hour
        vapor = air.vapor(mean, np.clip(relative, 8.0, 70.0))
        temperature.append(warm)
        humidity.append(relative)
        station.append(station_pressure(sea_level, site.elevation_m, mean, vapor))
    t, p, rh = np.array(temperature), np.array(station), np.array(humidity)
    weather = Weather(begin, t, p, rh, air.vapor(t, rh), air.density(t, p, rh))
    return _heated(scenario, weather, local, air) if scenario.habits.indoor > 0 else weather


def make_readings(scenario: Scenario, weather: Weather) -> pd.DataFrame:
    """Readings of every logger and weather station up to the scenario's end.

    Returns
    -------
    DataFrame
        Columns of the readings record; ``read_at`` in seconds since 1970 UTC.
    """
    start = int(scenario.utc(datetime.combine(scenario.start, time())).timestamp())
    end = int(scenario.end.timestamp())
    parts = []
    for number, site in enumerate(scenario.sites):
        if site.logger_min is not None:
            at = np.arange(start, end, 60 * site.logger_min)
            part = _sensed(scenario.rng("logger", site.name), weather, number, at)
            gone = np.zeros(len(at), bool)
            for gap in of_kind(scenario.faults, "readings-gap", site.name):
                gone |= gap.active(at, scenario.time_zone)
            part = part.assign(
                site=site.name, pressure_reference="station", source=f"logger {site.name}"
            )
            parts.append(part[~gone])
        if site.station_min is not None:
            at = np.arange(start, end, 60 * site.station_min)
            part = _sensed(
                scenario.rng("station", site.name), weather.outside or weather, number, at
            )
            t, rh = part["temperature_c"], part["humidity_pct"]
            reduced = sea_level_pressure(
                part["pressure_hpa"], site.elevation_m, t, vapor_pressure(t, rh)
            )
            parts.append(
                part.assign(
                    pressure_hpa=reduced.round(1),
                    site=site.name,
                    pressure_reference="sea-level",
                    source=f"weather station {site.name}",
                )
            )
    columns = ["read_at", "site", "temperature_c", "pressure_hpa", "humidity_pct",
               "pressure_reference", "source"]  # fmt: skip
    if not parts:
        return pd.DataFrame(columns=columns)
    return pd.concat(parts, ignore_index=True)[columns]


def sense(
    rng: np.random.Generator, temperature: Floats, pressure: Floats, humidity: Floats
) -> tuple[Floats, Floats, Floats]:
    """Read true air with small sensors: noise 0.15 C, 0.2 hPa, 1 % (invented), rounded."""
    n = len(temperature)
    return (
        np.round(temperature + rng.normal(0, 0.15, n), 1),
        np.round(pressure + rng.normal(0, 0.2, n), 1),
        np.clip(np.round(humidity + rng.normal(0, 1.0, n)), 3.0, 100.0),
    )


def _sensed(
    rng: np.random.Generator, weather: Weather, site: int, at: Microseconds
) -> pd.DataFrame:
    t, p, rh = sense(
        rng,
        weather.at("temperature", site, at),
        weather.at("station", site, at),
        weather.at("humidity", site, at),
    )
    return pd.DataFrame({"read_at": at, "temperature_c": t, "pressure_hpa": p, "humidity_pct": rh})


def _heated(scenario: Scenario, weather: Weather, local: Floats, air: MoistAir) -> Weather:
    """Warm the air of a share of site-days to that of a room, where it is colder outside."""
    day = np.floor((local - _HEATED_FROM_S) / _DAY_S).astype(np.int64)
    day -= day[0]
    warmth = np.full((len(scenario.sites), int(day[-1]) + 1), -np.inf)
    for number, site in enumerate(scenario.sites):
        rng = scenario.rng("rooms", site.name)
        indoors = rng.random(warmth.shape[1]) < scenario.habits.indoor
        room = rng.uniform(*_ROOM_C, warmth.shape[1])
        warmth[number, indoors] = room[indoors]
    t = np.maximum(weather.temperature, warmth[:, day])
    rh = 100.0 * weather.vapor / air.saturated(t)
    density = air.density(t, weather.station, rh)
    return replace(weather, temperature=t, humidity=rh, density=density, outside=weather)


def _winter_offset(scenario: Scenario) -> float:
    january = datetime(scenario.start.year, 1, 15, tzinfo=UTC)
    return january.timestamp() - scenario.utc(january.replace(tzinfo=None)).timestamp()


def _wander(rng: np.random.Generator, count: int, *, days: float) -> Floats:
    """Stationary first-order process of unit variance with a memory of so many days."""
    keep = np.exp(-STEP_S / (days * _DAY_S))
    shocks = rng.normal(0, np.sqrt(1.0 - keep**2), count)
    shocks[0] = rng.normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def _fronts(scenario: Scenario, at: Microseconds) -> Floats:
    """Kelvin lost to cold fronts: six hours of fall, then a slow return over days."""
    lost = np.zeros(len(at))
    for fault in of_kind(scenario.faults, "cold-front"):
        begin, _ = fault.span(scenario.time_zone)
        since = np.maximum(at - begin, 0.0)
        rise = np.clip(since / timedelta(hours=6).total_seconds(), 0.0, 1.0)
        back = np.exp(-since / timedelta(days=2.5).total_seconds())
        lost += fault.size * rise * back
    return lost
