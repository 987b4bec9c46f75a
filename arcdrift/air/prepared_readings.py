"""Readings of air as stored, with pressure brought to the site and moist air derived."""

import numpy as np
import pandas as pd

from arcdrift.air.moist_air import (
    ISO_SEA_LEVEL_HPA,
    air_density,
    pressure_elsewhere,
    relative_humidity,
    standard_pressure,
    station_pressure,
    station_pressure_from_qnh,
    vapor_pressure,
)
from arcdrift.settings import Crew

NO_ELEVATION = "pressure is reduced to sea level and the site has no elevation_m in crew.toml"
NO_STATION_ELEVATION = "the weather station has no elevation_m in crew.toml"
NO_SITE_ELEVATION = "pressure is that of a weather station and the site has no elevation_m"
NO_REDUCTION = "pressure is of another elevation and temperature or humidity is missing"
REFERENCE_UNKNOWN = "pressure_reference is missing and the site has no elevation_m in crew.toml"
NOT_REDUCED = "pressure is not plausible at sea level; set pressure_reference to station"
LOOKS_REDUCED = "pressure looks reduced to sea level; set pressure_reference to sea-level"
IMPLAUSIBLE = "pressure is not plausible at the elevation"

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
        Its sites and stations give the elevations, and its sites the stations that serve them.

    Returns
    -------
    DataFrame
        A copy with ``station_pressure_hpa``, ``vapor_pressure``, ``air_density`` and
        ``air_problem``, which says why a reported pressure was not used (NA otherwise). A missing
        ``humidity_pct`` is computed from the dew point. A weather station's reading has one row
        for each site that it serves, with the pressure at that site.

    Notes
    -----
    A reading with no reference is station pressure where it lies within 60 hPa of the ISO 2533
    value of its site; weather seldom moves pressure further. A splicer's own reading without a
    site is station pressure, because a splicer has nothing to reduce it with. QNH needs only the
    elevation to be undone, other reductions also temperature and humidity. A weather station's
    pressure is brought from its elevation to that of the site; its temperature and humidity are
    taken as they are. Nothing is guessed: any other pressure becomes NaN, with the reason.
    """
    table = _one_row_per_site(readings, crew)
    for column in ("temperature_c", "pressure_hpa", "humidity_pct"):
        table[column] = number_column(table, column)
    site, splicer = text_column(table, "site"), text_column(table, "splicer")
    station = text_column(table, "station")
    reference = text_column(table, "pressure_reference")
    of_site = _elevations(site, {name: known.elevation_m for name, known in crew.sites.items()})
    of_station = station.notna()
    measured_at = of_site.mask(
        of_station,
        _elevations(station, {name: known.elevation_m for name, known in crew.stations.items()}),
    )
    temperature, reported = table["temperature_c"], table["pressure_hpa"]
    _add_humidity_from_dew_point(table)
    vapor = vapor_pressure(temperature, table["humidity_pct"])

    reduced = reference.isin(REDUCED)
    qnh = reference == "qnh"
    no_reference = reference.isna()
    plausible = (reported - standard_pressure(measured_at)).abs() <= _MAX_WEATHER_HPA
    plausible_at_sea_level = (reported - ISO_SEA_LEVEL_HPA).abs() <= _MAX_WEATHER_HPA
    no_elevation = measured_at.isna()
    of_splicer = splicer.notna() & site.isna()
    elsewhere = of_station & site.notna() & (of_site != measured_at)
    needs_air = (reduced & ~qnh) | elsewhere

    at_station = reported.mask(reduced, station_pressure(reported, measured_at, temperature, vapor))
    at_station = at_station.mask(qnh, station_pressure_from_qnh(reported, measured_at))
    at_site = at_station.mask(
        elsewhere, pressure_elsewhere(at_station, measured_at, of_site, temperature, vapor)
    )
    problem = pd.Series(pd.NA, index=table.index, dtype="str")
    for reason, rows in (
        (NO_ELEVATION, reduced & no_elevation & ~of_station),
        (NO_REDUCTION, needs_air & ~no_elevation & vapor.isna()),
        (REFERENCE_UNKNOWN, no_reference & no_elevation & ~of_splicer & plausible_at_sea_level),
        (NO_SITE_ELEVATION, of_station & site.notna() & of_site.isna()),
        (NO_STATION_ELEVATION, of_station & no_elevation),
        (LOOKS_REDUCED, no_reference & ~no_elevation & ~plausible & plausible_at_sea_level),
        (NOT_REDUCED, reduced & ~plausible_at_sea_level),
        (
            IMPLAUSIBLE,
            ~reduced & ~no_elevation & ~plausible & ~(no_reference & plausible_at_sea_level),
        ),
    ):
        problem[rows & reported.notna()] = reason
    table["station_pressure_hpa"] = at_site.mask(problem.notna())
    table["vapor_pressure"] = vapor
    table["air_density"] = air_density(
        temperature, table["station_pressure_hpa"], table["humidity_pct"]
    )
    table["air_problem"] = problem
    return table


def _one_row_per_site(readings: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """A copy, in which a station's reading is repeated for each site that the station serves."""
    of_station = (
        text_column(readings, "station").notna()
        & text_column(readings, "site").isna()
        & text_column(readings, "splicer").isna()
    )
    if not of_station.any():
        return readings.copy()
    served = pd.DataFrame(
        [(name, site.station) for name, site in crew.sites.items() if site.station is not None],
        columns=["site", "station"],
        dtype="str",
    )
    at_sites = readings[of_station].drop(columns="site").merge(served, how="left", on="station")
    parts = [readings[~of_station], at_sites[readings.columns]]
    return pd.concat(parts, ignore_index=True) if len(parts[0]) else parts[1]


def _add_humidity_from_dew_point(table: pd.DataFrame) -> None:
    """Fill in the humidity of the rows that have a dew point instead."""
    dew_point = number_column(table, "dew_point_c")
    rows = table["humidity_pct"].isna() & dew_point.notna()
    if rows.any():
        humidity = relative_humidity(table.loc[rows, "temperature_c"], dew_point[rows])
        table.loc[rows, "humidity_pct"] = humidity


def _elevations(names: pd.Series, known: dict[str, float | None]) -> pd.Series:
    number, distinct = pd.factorize(names)  # each distinct name is looked up once
    elevations = [known.get(name) for name in distinct]
    # the last one is for a missing name, whose number is -1
    return pd.Series(np.array([*elevations, None], dtype=np.float64)[number], index=names.index)


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
