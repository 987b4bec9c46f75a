"""Weather at the sites: season, daily cycle, highs and lows, cold fronts, elevation.

The weather is invented; the physics is not: temperature falls by 6.5 K/km of elevation
(ISO 2533), station pressure follows from sea-level pressure by WMO-No. 8, humidity from dew
point and temperature. Highs and lows pass every few days and affect all sites equally. A heated
room or van has the vapor pressure and pressure of the outside air and the temperature of a room.
A logger stands beside the splicer, a weather station outside.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from arcdrift.air.moist_air import sea_level_pressure, station_pressure, vapor_pressure
from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.air.moist_air import IDEAL_GAS, MOIST_AIR, MoistAir
from arcdrift.simulate.crew.faults import faults_of_kind
from arcdrift.simulate.crew.scenario import Scenario

STEP_S = 900
_DAY_S = 86_400.0
_HIGHEST_DEW_POINT_C = 23.0
"""Highest dew point; higher ones are rare in mid latitudes (invented)."""
_ROOM_C = (18.0, 23.0)
"""Range of temperatures of heated rooms (common practice, no source)."""
_HEATED_FROM_S = 5 * 3600
"""A room keeps its temperature from 05:00 to 05:00, so that it stays the same for a night shift."""


@dataclass(frozen=True)
class Weather:
    """Air at the places of work, every 15 minutes; arrays are sites x times.

    ``start_s`` is in seconds since 1970 UTC; temperature in degrees Celsius, station pressure and
    vapor pressure in hPa, humidity in %, density in kg/m3. ``outside`` is the outdoor air if some
    of the work is in heated rooms.
    """

    start_s: int
    temperature: Floats
    station_pressure: Floats
    humidity: Floats
    vapor_pressure: Floats
    density: Floats
    outside: "Weather | None" = None

    def interpolate(self, quantity: str, site: Ints | int, times: Ints) -> Floats:
        """Return one quantity at sites and times, interpolated linearly between grid points."""
        grid: Floats = getattr(self, quantity)
        position = (times - self.start_s) / STEP_S
        index = np.clip(np.floor(position).astype(np.int64), 0, grid.shape[1] - 2)
        fraction = position - index
        return np.asarray(grid[site, index] * (1.0 - fraction) + grid[site, index + 1] * fraction)


def make_weather(scenario: Scenario) -> Weather:
    """Draw the weather of a scenario at random."""
    rng = scenario.rng("weather")
    start_s = int(scenario.utc(datetime.combine(scenario.start, time())).timestamp()) - 86_400
    count = int((scenario.days + 2) * _DAY_S / STEP_S) + 1
    times = start_s + STEP_S * np.arange(count)

    # seasons and days follow solar time; the zone's standard time is close enough
    local: Floats = times + np.float64(_standard_offset_s(scenario))
    day_of_year = (local / _DAY_S) % 365.2425
    hour = (local % _DAY_S) / 3600.0

    season = np.cos(2 * np.pi * (day_of_year - 205.0) / 365.2425)
    daily_cycle = np.cos(2 * np.pi * (hour - 15.0) / 24.0)
    pressure_systems = _first_order_process(rng, count, days=2.5)
    front = _cold_front_drop(scenario, times)
    sea_level = 1015.0 - 7.0 * pressure_systems + 0.8 * np.cos(4 * np.pi * (hour - 10.0) / 24.0)
    sea_level += 0.7 * front

    air = IDEAL_GAS if scenario.ideal_gas else MOIST_AIR
    temperatures, pressures, humidities = [], [], []
    for site in scenario.sites:
        site_rng = scenario.rng("weather", site.name)
        mean = 14.0 + 10.0 * season - 6.5 * site.elevation_m / 1000.0
        noise = _first_order_process(site_rng, count, days=0.5)
        mean += 3.0 * pressure_systems + 1.2 * noise - front
        daily_amplitude = 4.0 + 3.0 * min(site.elevation_m / 2000.0, 1.0)
        temperature = mean + daily_amplitude * daily_cycle
        dew_point = mean - 7.0 + 2.5 * _first_order_process(site_rng, count, days=1.5) - 0.3 * front
        dew_point = np.minimum(dew_point, _HIGHEST_DEW_POINT_C)
        saturation = air.saturation_pressure(temperature)
        relative = 100.0 * air.saturation_pressure(dew_point) / saturation
        relative = np.clip(relative, 8.0, 99.0)
        # pressure follows from the mean temperature of the day, not from that of the hour
        vapor = air.vapor_pressure(mean, np.clip(relative, 8.0, 70.0))
        temperatures.append(temperature)
        humidities.append(relative)
        pressures.append(station_pressure(sea_level, site.elevation_m, mean, vapor))
    t, p, rh = np.array(temperatures), np.array(pressures), np.array(humidities)
    weather = Weather(start_s, t, p, rh, air.vapor_pressure(t, rh), air.density(t, p, rh))
    if scenario.habits.indoor > 0:
        return _with_heated_rooms(scenario, weather, local, air)
    return weather


def make_readings(scenario: Scenario, weather: Weather) -> pd.DataFrame:
    """Return the readings of every logger and weather station up to the scenario's end.

    Returns
    -------
    DataFrame
        Columns of the readings record; ``read_at`` in seconds since 1970 UTC.
    """
    first_s = int(scenario.utc(datetime.combine(scenario.start, time())).timestamp())
    end_s = int(scenario.end.timestamp())
    parts = []
    for number, site in enumerate(scenario.sites):
        if site.logger_min is not None:
            times = np.arange(first_s, end_s, 60 * site.logger_min)
            part = _site_readings(scenario.rng("logger", site.name), weather, number, times)
            missing = np.zeros(len(times), bool)
            for gap in faults_of_kind(scenario.faults, "readings-gap", site.name):
                missing |= gap.active(times, scenario.time_zone)
            part = part.assign(
                site=site.name, pressure_reference="station", source=f"logger {site.name}"
            )
            parts.append(part[~missing])
        if site.station_min is not None:
            times = np.arange(first_s, end_s, 60 * site.station_min)
            part = _site_readings(
                scenario.rng("station", site.name), weather.outside or weather, number, times
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


def sensor_values(
    rng: np.random.Generator, temperature: Floats, pressure: Floats, humidity: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return sensor values of the true air: rounded, with noise of 0.15 C, 0.2 hPa and 1 %."""
    n = len(temperature)
    return (
        np.round(temperature + rng.normal(0, 0.15, n), 1),
        np.round(pressure + rng.normal(0, 0.2, n), 1),
        np.clip(np.round(humidity + rng.normal(0, 1.0, n)), 3.0, 100.0),
    )


def _site_readings(
    rng: np.random.Generator, weather: Weather, site: int, times: Ints
) -> pd.DataFrame:
    t, p, rh = sensor_values(
        rng,
        weather.interpolate("temperature", site, times),
        weather.interpolate("station_pressure", site, times),
        weather.interpolate("humidity", site, times),
    )
    return pd.DataFrame(
        {"read_at": times, "temperature_c": t, "pressure_hpa": p, "humidity_pct": rh}
    )


def _with_heated_rooms(
    scenario: Scenario, weather: Weather, local: Floats, air: MoistAir
) -> Weather:
    """Raise the temperature to that of a room, if it is colder, on a share of days per site."""
    day = np.floor((local - _HEATED_FROM_S) / _DAY_S).astype(np.int64)
    day -= day[0]
    room_temperature = np.full((len(scenario.sites), int(day[-1]) + 1), -np.inf)
    for number, site in enumerate(scenario.sites):
        rng = scenario.rng("rooms", site.name)
        indoors = rng.random(room_temperature.shape[1]) < scenario.habits.indoor
        drawn_temperature = rng.uniform(*_ROOM_C, room_temperature.shape[1])
        room_temperature[number, indoors] = drawn_temperature[indoors]
    t = np.maximum(weather.temperature, room_temperature[:, day])
    rh = 100.0 * weather.vapor_pressure / air.saturation_pressure(t)
    density = air.density(t, weather.station_pressure, rh)
    return replace(weather, temperature=t, humidity=rh, density=density, outside=weather)


def _standard_offset_s(scenario: Scenario) -> float:
    january = datetime(scenario.start.year, 1, 15, tzinfo=UTC)
    return january.timestamp() - scenario.utc(january.replace(tzinfo=None)).timestamp()


def _first_order_process(rng: np.random.Generator, count: int, *, days: float) -> Floats:
    """Draw a stationary first-order process of unit variance with a time constant in days."""
    correlation = np.exp(-STEP_S / (days * _DAY_S))
    shocks = rng.normal(0, np.sqrt(1.0 - correlation**2), count)
    shocks[0] = rng.normal()
    return np.asarray(lfilter([1.0], [1.0, -correlation], shocks))


def _cold_front_drop(scenario: Scenario, times: Ints) -> Floats:
    """Return by how many kelvin cold fronts lower the temperature at each time.

    A front takes six hours to arrive and fades with a time constant of 2.5 days.
    """
    drop = np.zeros(len(times))
    for fault in faults_of_kind(scenario.faults, "cold-front"):
        start_s, _ = fault.span(scenario.time_zone)
        since = np.maximum(times - start_s, 0.0)
        arrival = np.clip(since / timedelta(hours=6).total_seconds(), 0.0, 1.0)
        fading = np.exp(-since / timedelta(days=2.5).total_seconds())
        drop += fault.size * arrival * fading
    return drop
