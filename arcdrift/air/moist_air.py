"""Moist air: vapor pressure, density, and pressure at other elevations.

Relative humidity is over water at all temperatures (WMO-No. 8, part I, chapter 4). Pressures
are hPa, temperatures degrees Celsius, densities kg/m3. Numbers outside the bounds of
`arcdrift.quantities` are taken as missing, so a broken sensor gives NaN and never an error.
"""

from typing import TypeVar, cast

import numpy as np
import pandas as pd
import psychrolib

from arcdrift.arrays import Floats, Ints
from arcdrift.quantities import QUANTITIES

Values = float | Floats | pd.Series
First = TypeVar("First", float, Floats, pd.Series)
"""Type of the first argument, which is also that of the result."""

ISO_SEA_LEVEL_HPA = 1013.25
"""ISO 2533: pressure at sea level."""
R_DRY_AIR = 287.05287
"""Specific gas constant of dry air, J/(kg K) (ISO 2533)."""
_ISO_SEA_LEVEL_K = 288.15
_LAPSE_K_PER_M = 0.0065
_ISO_EXPONENT = 9.80665 / (R_DRY_AIR * _LAPSE_K_PER_M)  # g / (R * lapse rate)
_PA_PER_HPA = 100.0
_ZERO_CELSIUS_K = 273.15
# ASHRAE Fundamentals (2017), chapter 1, equations 20 and 26: molar mass of water over that of dry
# air, and its inverse
_HUMIDITY_RATIO, _VOLUME_RATIO = 0.621945, 1.607858
# WMO-No. 8, part I, chapter 3: reduction to sea level
_KP, _CH = 0.0148275, 0.12  # K/gpm, K/hPa

psychrolib.SetUnitSystem(psychrolib.SI)


def saturation_vapor_pressure(temperature_c: First) -> First:
    """Saturation vapor pressure over water.

    Parameters
    ----------
    temperature_c : float, array or Series
        Air temperature, degrees Celsius.

    Returns
    -------
    float, array or Series
        hPa, shaped like the input; NaN where the temperature is missing or out of bounds.

    Notes
    -----
    Above the triple point ASHRAE Fundamentals (2017), chapter 1, equation 6, through
    `psychrolib`. Below, where psychrolib turns to ice, the formula over water of WMO-No. 8,
    part I, annex 4.B: 6.112 exp(17.62 t / (243.12 + t)); there the two differ by 0.003 %.
    """
    t = _within_bounds(temperature_c, "temperature_c")
    distinct, code = _distinct_values(t)
    over_water = 6.112 * np.exp(17.62 * distinct / (243.12 + distinct))
    warm = distinct > psychrolib.TRIPLE_POINT_WATER_SI
    over_water[warm] = np.fromiter(
        map(psychrolib.GetSatVapPres, distinct[warm].tolist()), np.float64, int(warm.sum())
    )
    over_water[warm] /= _PA_PER_HPA
    return _in_form_of(temperature_c, _repeat_values(over_water, code, t.shape))


def vapor_pressure(temperature_c: First, humidity_pct: Values) -> First:
    """Vapor pressure of moist air.

    Parameters
    ----------
    temperature_c : float, array or Series
        Air temperature, degrees Celsius.
    humidity_pct : float, array or Series
        Relative humidity over water, %.

    Returns
    -------
    float, array or Series
        hPa, shaped like `temperature_c`.
    """
    share = _within_bounds(humidity_pct, "humidity_pct") / 100.0
    saturated = saturation_vapor_pressure(np.asarray(temperature_c, dtype=np.float64))
    return _in_form_of(temperature_c, saturated * share)


def relative_humidity(temperature_c: First, dew_point_c: Values) -> First:
    """Relative humidity over water from the dew point.

    Parameters
    ----------
    temperature_c, dew_point_c : float, array or Series
        Degrees Celsius.

    Returns
    -------
    float, array or Series
        %, shaped like `temperature_c`; 100 where sensors put the dew point above the temperature.

    Notes
    -----
    WMO-No. 8, part I, annex 4.B: 100 e(Td) / e(T), both over water, with the saturation vapor
    pressure of `saturation_vapor_pressure`. A dew point reported in whole degrees, as in METAR,
    leaves the humidity uncertain by about 3 % of its value.
    """
    dew_point = saturation_vapor_pressure(np.asarray(dew_point_c, dtype=np.float64))
    saturated = saturation_vapor_pressure(np.asarray(temperature_c, dtype=np.float64))
    return _in_form_of(temperature_c, np.minimum(100.0 * dew_point / saturated, 100.0))


def air_density(temperature_c: First, pressure_hpa: Values, humidity_pct: Values) -> First:
    """Density of moist air.

    Parameters
    ----------
    temperature_c : float, array or Series
        Air temperature, degrees Celsius.
    pressure_hpa : float, array or Series
        Station pressure, hPa.
    humidity_pct : float, array or Series
        Relative humidity over water, %.

    Returns
    -------
    float, array or Series
        kg/m3, shaped like `temperature_c`; NaN where any of the three is missing.

    Notes
    -----
    ASHRAE Fundamentals (2017), chapter 1, equations 11, 20 and 26, which need no loop over rows as
    `psychrolib` does: ideal gases, within 0.1 % of CIPM-2007.
    """
    t, p, rh = np.broadcast_arrays(
        _within_bounds(temperature_c, "temperature_c"),
        _within_bounds(pressure_hpa, "pressure_hpa"),
        _within_bounds(humidity_pct, "humidity_pct"),
    )
    vapor, pressure = vapor_pressure(t, rh) * _PA_PER_HPA, p * _PA_PER_HPA
    ratio = np.maximum(_HUMIDITY_RATIO * vapor / (pressure - vapor), psychrolib.MIN_HUM_RATIO)
    volume = psychrolib.R_DA_SI * (t + _ZERO_CELSIUS_K) * (1.0 + _VOLUME_RATIO * ratio) / pressure
    return _in_form_of(temperature_c, (1.0 + ratio) / volume)


def sea_level_pressure(
    station_hpa: First, elevation_m: Values, temperature_c: Values, vapor_pressure_hpa: Values
) -> First:
    """Reduce station pressure to sea level.

    Parameters
    ----------
    station_hpa : float, array or Series
        Pressure at the station, hPa.
    elevation_m : float, array or Series
        Elevation, taken as geopotential meters.
    temperature_c, vapor_pressure_hpa : float, array or Series
        Air at the station.

    Returns
    -------
    float, array or Series
        hPa, shaped like `station_hpa`.

    Notes
    -----
    WMO-No. 8, part I, chapter 3: log10(p0 / ps) = Kp H / (Ts + a H / 2 + e Ch), with
    Kp = 0.0148275 K/gpm, a = 0.0065 K/gpm, Ch = 0.12 K/hPa. Meant for low stations; weather
    services differ above 750 m (from memory).
    """
    exponent = _log10_reduction(elevation_m, temperature_c, vapor_pressure_hpa)
    return _in_form_of(station_hpa, np.asarray(station_hpa, dtype=np.float64) * 10.0**exponent)


def station_pressure(
    sea_level_hpa: First, elevation_m: Values, temperature_c: Values, vapor_pressure_hpa: Values
) -> First:
    """Compute station pressure from a pressure reduced to sea level.

    The inverse of `sea_level_pressure`; same parameters, with `sea_level_hpa` in hPa, and the
    result is shaped like it.
    """
    exponent = _log10_reduction(elevation_m, temperature_c, vapor_pressure_hpa)
    return _in_form_of(sea_level_hpa, np.asarray(sea_level_hpa, dtype=np.float64) * 10.0**-exponent)


def station_pressure_from_qnh(qnh_hpa: First, elevation_m: Values) -> First:
    """Compute station pressure from QNH, the altimeter setting of aviation reports.

    Parameters
    ----------
    qnh_hpa : float, array or Series
        QNH, hPa.
    elevation_m : float, array or Series
        Elevation of the station, taken as geopotential meters.

    Returns
    -------
    float, array or Series
        hPa, shaped like `qnh_hpa`.

    Notes
    -----
    QNH is station pressure reduced to sea level in the standard atmosphere, whatever the air's
    temperature and humidity: an altimeter set to it shows the station's elevation. So the height
    of the pressure in the standard atmosphere (ISO 2533, ICAO Doc 7488) lies the elevation above
    that of QNH: p = p0 ((QNH / p0)^n - 0.0065 H / 288.15)^(1/n), with 1/n = 5.25588.
    """
    n = 1.0 / _ISO_EXPONENT
    qnh = np.asarray(qnh_hpa, dtype=np.float64)
    height = np.asarray(elevation_m, dtype=np.float64)
    base = (qnh / ISO_SEA_LEVEL_HPA) ** n - _LAPSE_K_PER_M * height / _ISO_SEA_LEVEL_K
    return _in_form_of(qnh_hpa, ISO_SEA_LEVEL_HPA * base**_ISO_EXPONENT)


def pressure_elsewhere(
    station_hpa: First,
    elevation_m: Values,
    other_elevation_m: Values,
    temperature_c: Values,
    vapor_pressure_hpa: Values,
) -> First:
    """Pressure at another elevation in the same weather.

    Parameters
    ----------
    station_hpa : float, array or Series
        Pressure at the station, hPa.
    elevation_m, other_elevation_m : float, array or Series
        Elevation of the station and of the other place, geopotential meters.
    temperature_c, vapor_pressure_hpa : float, array or Series
        Air at the station.

    Returns
    -------
    float, array or Series
        hPa, shaped like `station_hpa`.

    Notes
    -----
    Reduced to sea level by WMO-No. 8, and from there to the other elevation. The temperature
    there is taken to differ by the 6.5 K/km of ISO 2533.
    """
    sea_level = sea_level_pressure(station_hpa, elevation_m, temperature_c, vapor_pressure_hpa)
    climb_m = np.asarray(other_elevation_m, dtype=np.float64) - np.asarray(elevation_m)
    there = np.asarray(temperature_c, dtype=np.float64) - _LAPSE_K_PER_M * climb_m
    return station_pressure(sea_level, other_elevation_m, there, vapor_pressure_hpa)


def standard_pressure(elevation_m: First) -> First:
    """Pressure of the standard atmosphere, hPa, at an elevation in geopotential meters.

    ISO 2533:1975, layer below 11,000 m: 1013.25 (1 - 0.0065 H / 288.15)^5.25588.
    """
    height = np.asarray(elevation_m, dtype=np.float64)
    return _in_form_of(
        elevation_m,
        ISO_SEA_LEVEL_HPA * (1.0 - _LAPSE_K_PER_M * height / _ISO_SEA_LEVEL_K) ** _ISO_EXPONENT,
    )


def _log10_reduction(
    elevation_m: Values, temperature_c: Values, vapor_pressure_hpa: Values
) -> Floats:
    """Logarithm to base 10 of sea-level pressure over station pressure."""
    height = np.asarray(elevation_m, dtype=np.float64)
    kelvin = np.asarray(temperature_c, dtype=np.float64) + _ZERO_CELSIUS_K
    vapor = np.asarray(vapor_pressure_hpa, dtype=np.float64)
    return _KP * height / (kelvin + _LAPSE_K_PER_M * height / 2.0 + vapor * _CH)


def _within_bounds(values: Values, column: str) -> Floats:
    """Values as floats, NaN outside the bounds of the quantity."""
    bounds = QUANTITIES[column]
    numbers = np.asarray(values, dtype=np.float64)
    inside = (numbers >= bounds.low) & (numbers <= bounds.high)
    return np.where(inside, numbers, np.nan)


def _distinct_values(values: Floats) -> tuple[Floats, Ints]:
    """Distinct values without NaN, and each value's place among them (-1 for NaN).

    psychrolib computes one value at a time; logs repeat values, so each is computed once.
    """
    code, distinct = pd.factorize(values.ravel())
    return distinct, code


def _repeat_values(distinct: Floats, code: Ints, shape: tuple[int, ...]) -> Floats:
    """Results of distinct values put back at every one; the inverse of `_distinct_values`."""
    return np.append(distinct, np.nan)[code].reshape(shape)


def _in_form_of(first: First, values: Floats) -> First:
    """Values as a float, array or Series like `first`."""
    if isinstance(first, pd.Series):
        return pd.Series(values, index=first.index)
    return cast(First, values if np.ndim(values) else float(values))
