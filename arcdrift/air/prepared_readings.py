"""Readings of air as stored, with pressure brought to the station and moist air derived."""

import numpy as np
import pandas as pd

from arcdrift.air.moist_air import (
    ISO_SEA_LEVEL_HPA,
    air_density,
    standard_pressure,
    station_pressure,
    station_pressure_from_qnh,
    vapor_pressure,
)
from arcdrift.settings import Crew

NO_ELEVATION = "pressure is reduced to sea level and the site has no elevation_m in crew.toml"
NO_REDUCTION = "pressure is reduced to sea level and temperature or humidity is missing"
REFERENCE_UNKNOWN = "pressure_reference is missing and the site has no elevation_m in crew.toml"
NOT_REDUCED = "pressure is not plausible at sea level; set pressure_reference to station"
LOOKS_REDUCED = "pressure looks reduced to sea level; set pressure_reference to sea-level"
IMPLAUSIBLE = "pressure is not plausible at the site's elevation"

REDUCED = ("sea-level", "qnh")
"""References of a pressure that was reduced to sea level: as WMO does it, or for altimeters."""
_MAX_WEATHER_HPA = 60.0
"""Most that weather moves pressure from the ISO 2533 value of an elevation."""


def prepare_readings(readings: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Add station pressure, vapor pressure and air density to readings.

    Parameters
    ----------
    readings : DataFrame
        Readings as stored.
    crew : Crew
        Its sites give the elevations.

    Returns
    -------
    DataFrame
        A copy with ``station_pressure_hpa``, ``vapor_pressure``, ``air_density`` and
        ``air_problem``, which says why a reported pressure was not used (NA otherwise).

    Notes
    -----
    A reading with no reference is station pressure where it lies within 60 hPa of the ISO 2533
    value of its site; weather seldom moves pressure further. A splicer's own reading without a
    site is station pressure, because a splicer has nothing to reduce it with. QNH needs only the
    elevation to be undone, other reductions also temperature and humidity. Nothing is guessed:
    any other pressure becomes NaN, with the reason.
    """
    table = readings.copy()
    for column in ("temperature_c", "pressure_hpa", "humidity_pct"):
        table[column] = number_column(table, column)
    site, splicer = text_column(table, "site"), text_column(table, "splicer")
    reference = text_column(table, "pressure_reference")
    elevation = site.map(
        {name: known.elevation_m for name, known in crew.sites.items()}, na_action="ignore"
    ).astype("float64")
    temperature, reported = table["temperature_c"], table["pressure_hpa"]
    vapor = vapor_pressure(temperature, table["humidity_pct"])

    reduced = reference.isin(REDUCED)
    qnh = reference == "qnh"
    no_reference = reference.isna()
    plausible = (reported - standard_pressure(elevation)).abs() <= _MAX_WEATHER_HPA
    plausible_at_sea_level = (reported - ISO_SEA_LEVEL_HPA).abs() <= _MAX_WEATHER_HPA
    no_elevation = elevation.isna()
    of_splicer = splicer.notna() & site.isna()

    at_station = station_pressure(reported, elevation, temperature, vapor).mask(
        qnh, station_pressure_from_qnh(reported, elevation)
    )
    problem = pd.Series(pd.NA, index=table.index, dtype="str")
    for reason, rows in (
        (NO_ELEVATION, reduced & no_elevation),
        (NO_REDUCTION, reduced & ~qnh & ~no_elevation & vapor.isna()),
        (REFERENCE_UNKNOWN, no_reference & no_elevation & ~of_splicer & plausible_at_sea_level),
        (LOOKS_REDUCED, no_reference & ~no_elevation & ~plausible & plausible_at_sea_level),
        (NOT_REDUCED, reduced & ~plausible_at_sea_level),
        (
            IMPLAUSIBLE,
            ~reduced & ~no_elevation & ~plausible & ~(no_reference & plausible_at_sea_level),
        ),
    ):
        problem[rows & reported.notna()] = reason
    table["station_pressure_hpa"] = reported.mask(reduced, at_station).mask(problem.notna())
    table["vapor_pressure"] = vapor
    table["air_density"] = air_density(
        temperature, table["station_pressure_hpa"], table["humidity_pct"]
    )
    table["air_problem"] = problem
    return table


def text_column(frame: pd.DataFrame, column: str) -> pd.Series:
    """A column of text, or categories; NA in every row where the frame has no such column."""
    if column not in frame.columns:
        return pd.Series(pd.NA, index=frame.index, dtype="str")
    values = frame[column]
    return values if isinstance(values.dtype, pd.CategoricalDtype) else values.astype("str")


def number_column(frame: pd.DataFrame, column: str) -> pd.Series:
    """A column of float64; NaN in every row where the frame has no such column."""
    if column not in frame.columns:
        return pd.Series(np.nan, index=frame.index)
    return frame[column].astype("float64")
