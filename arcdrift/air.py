"""Moist air at the splicer: vapor pressure, density, station pressure, and the join to events.

Relative humidity is over water at all temperatures (WMO-No. 8, part I, chapter 4). Pressures
are hPa, temperatures degrees Celsius, densities kg/m3. Numbers outside the bounds of
`arcdrift.quantities` are taken as missing, so a broken sensor gives NaN and never an error.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar, cast

import numpy as np
import pandas as pd
import psychrolib

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.quantities import QUANTITIES
from arcdrift.settings import Crew

FEW_ROWS = 100
Keys = tuple[Ints, list[str]]
Values = float | Floats | pd.Series
First = TypeVar("First", float, Floats, pd.Series)

AIR_COLUMNS = (
    "temperature_c",
    "station_pressure_hpa",
    "humidity_pct",
    "vapor_pressure",
    "air_density",
    "air_source",
    "air_age_min",
)

OWN_AIR = (
    "temperature_c",
    "station_pressure_hpa",
    "humidity_pct",
    "vapor_pressure",
    "air_density",
)
"""What a reading tells, in the order that air is kept in while it is joined."""

SAME_RECORD = "splicer, same record"
SPLICER_LOG = "splicer log"
SITE_LOGGER = "site logger"
WEATHER_STATION = "weather station"

NO_ELEVATION = "pressure is reduced to sea level and the site has no elevation_m in crew.toml"
NO_REDUCTION = "pressure is reduced to sea level and temperature or humidity is missing"
REFERENCE_UNKNOWN = "pressure_reference is missing and the site has no elevation_m in crew.toml"
LOOKS_REDUCED = "pressure looks reduced to sea level; set pressure_reference to sea-level"
IMPLAUSIBLE = "pressure is not plausible at the site's elevation"

_HPA = 100.0  # Pa
_KELVIN = 273.15
# ISO 2533: sea-level pressure and temperature, lapse rate, g/(R*lapse)
_ISO_P0, _ISO_T0, _LAPSE, _ISO_POWER = 1013.25, 288.15, 0.0065, 9.80665 / (287.05287 * 0.0065)
# WMO-No. 8, part I, chapter 3: reduction to sea level
_KP, _CH = 0.0148275, 0.12  # K/gpm, K/hPa
_WEATHER_HPA = 60.0
"""How far weather moves pressure from the ISO 2533 value of an elevation, at the most."""

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
    part I, annex 4.B: 6.112 exp(17.62 t / (243.12 + t)); the two meet within 0.003 %.
    """
    t = _believed(temperature_c, "temperature_c")
    values, code = _distinct(t)
    (distinct,) = values
    over_water = 6.112 * np.exp(17.62 * distinct / (243.12 + distinct))
    warm = distinct > psychrolib.TRIPLE_POINT_WATER_SI
    over_water[warm] = _each(psychrolib.GetSatVapPres, distinct[warm]) / _HPA
    return _like(temperature_c, _spread(over_water, code, t.shape))


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
    share = _believed(humidity_pct, "humidity_pct") / 100.0
    saturated = saturation_vapor_pressure(np.asarray(temperature_c, dtype=np.float64))
    return _like(temperature_c, saturated * share)


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
    ASHRAE Fundamentals (2017), chapter 1, equations 11, 20 and 26, through `psychrolib`:
    ideal gases, within 0.1 % of CIPM-2007.
    """
    t, p, rh = np.broadcast_arrays(
        _believed(temperature_c, "temperature_c"),
        _believed(pressure_hpa, "pressure_hpa"),
        _believed(humidity_pct, "humidity_pct"),
    )
    (ts, ps, rhs), code = _distinct(t, p, rh)
    ratio = _each(psychrolib.GetHumRatioFromVapPres, vapor_pressure(ts, rhs) * _HPA, ps * _HPA)
    density = _each(psychrolib.GetMoistAirDensity, ts, ratio, ps * _HPA)
    return _like(temperature_c, _spread(density, code, t.shape))


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
    exponent = _reduction(elevation_m, temperature_c, vapor_pressure_hpa)
    return _like(station_hpa, np.asarray(station_hpa, dtype=np.float64) * 10.0**exponent)


def station_pressure(
    sea_level_hpa: First, elevation_m: Values, temperature_c: Values, vapor_pressure_hpa: Values
) -> First:
    """Bring a pressure reduced to sea level back to the station.

    The inverse of `sea_level_pressure`; same parameters, with `sea_level_hpa` in hPa, and the
    result is shaped like it.
    """
    exponent = _reduction(elevation_m, temperature_c, vapor_pressure_hpa)
    return _like(sea_level_hpa, np.asarray(sea_level_hpa, dtype=np.float64) * 10.0**-exponent)


def pressure_elsewhere(
    station_hpa: First,
    elevation_m: Values,
    other_elevation_m: Values,
    temperature_c: Values,
    vapor_pressure_hpa: Values,
) -> First:
    """Pressure the same weather has at another elevation.

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
    Reduced to sea level by WMO-No. 8 and back; the column of air between cools by the
    6.5 K/km of ISO 2533, however warm it is where somebody splices.
    """
    sea_level = sea_level_pressure(station_hpa, elevation_m, temperature_c, vapor_pressure_hpa)
    climb = np.asarray(other_elevation_m, dtype=np.float64) - np.asarray(elevation_m)
    there = np.asarray(temperature_c, dtype=np.float64) - _LAPSE * climb
    return station_pressure(sea_level, other_elevation_m, there, vapor_pressure_hpa)


def standard_pressure(elevation_m: First) -> First:
    """Pressure of the standard atmosphere, hPa, at an elevation in geopotential meters.

    ISO 2533:1975, layer below 11,000 m: 1013.25 (1 - 0.0065 H / 288.15)^5.25588.
    """
    height = np.asarray(elevation_m, dtype=np.float64)
    return _like(elevation_m, _ISO_P0 * (1.0 - _LAPSE * height / _ISO_T0) ** _ISO_POWER)


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
    site is station pressure: a splicer has nothing to reduce it with. Nothing is guessed: any
    other pressure becomes NaN, with the reason.
    """
    table = readings.copy()
    for column in ("temperature_c", "pressure_hpa", "humidity_pct"):
        table[column] = _number(table, column)
    site, splicer = _text(table, "site"), _text(table, "splicer")
    reference = _text(table, "pressure_reference")
    elevation = site.map(
        {name: known.elevation_m for name, known in crew.sites.items()}, na_action="ignore"
    ).astype("float64")
    temperature, reported = table["temperature_c"], table["pressure_hpa"]
    vapor = vapor_pressure(temperature, table["humidity_pct"])

    reduced = reference == "sea-level"
    unsaid = reference.isna()
    plausible = (reported - standard_pressure(elevation)).abs() <= _WEATHER_HPA
    like_sea_level = (reported - _ISO_P0).abs() <= _WEATHER_HPA
    no_height = elevation.isna()
    own = splicer.notna() & site.isna()

    back = station_pressure(reported, elevation, temperature, vapor)
    problem = pd.Series(pd.NA, index=table.index, dtype="str")
    for reason, rows in (
        (NO_ELEVATION, reduced & no_height),
        (NO_REDUCTION, reduced & ~no_height & vapor.isna()),
        (REFERENCE_UNKNOWN, unsaid & no_height & ~own & like_sea_level),
        (LOOKS_REDUCED, unsaid & ~no_height & ~plausible & like_sea_level),
        (IMPLAUSIBLE, ~reduced & ~no_height & ~plausible & ~(unsaid & like_sea_level)),
    ):
        problem[rows & reported.notna()] = reason
    table["station_pressure_hpa"] = reported.mask(reduced, back).mask(problem.notna())
    table["vapor_pressure"] = vapor
    table["air_density"] = air_density(
        temperature, table["station_pressure_hpa"], table["humidity_pct"]
    )
    table["air_problem"] = problem
    return table


@dataclass(frozen=True)
class Pool:
    """Readings of one kind of source, in time order.

    Attributes
    ----------
    times : dict of array
        Microseconds UTC by splicer or site.
    air : dict of array of shape (readings, 5)
        `OWN_AIR` of the same readings.
    """

    times: dict[str, Ints]
    air: dict[str, Floats]

    @classmethod
    def of(cls, at: Ints, air: Floats, keys: Keys, chosen: Bools) -> "Pool":
        """Part the chosen readings, sorted by time, by whose they are."""
        if not chosen.any():
            return cls({}, {})
        code, names = keys
        rows = [np.flatnonzero(chosen & (code == number)) for number in range(len(names))]
        parts = {name: mine for name, mine in zip(names, rows, strict=True) if len(mine)}
        return cls(
            {name: at[mine] for name, mine in parts.items()},
            {name: air[mine] for name, mine in parts.items()},
        )


@dataclass(frozen=True)
class AirSources:
    """Prepared readings, parted once for any number of joins.

    Attributes
    ----------
    readings : DataFrame
        As from `prepare_readings`, in order of time.
    at : array of shape (readings,)
        Microseconds UTC of the same readings.
    pools : tuple
        Of readings with all three quantities, then of the others, one pool each: splicers' own
        logs, loggers at sites, weather stations at sites.
    """

    readings: pd.DataFrame
    at: Ints
    pools: tuple[tuple[Pool, Pool, Pool], tuple[Pool, Pool, Pool]]

    @classmethod
    def of(cls, readings: "pd.DataFrame | AirSources", crew: Crew) -> "AirSources":
        """Prepare readings where that was not done before, and part them."""
        if isinstance(readings, AirSources):
            return readings
        if "air_density" not in readings.columns:
            readings = prepare_readings(readings, crew)
        if readings["read_at"].hasnans:
            readings = readings.dropna(subset=["read_at"])
        if not readings["read_at"].is_monotonic_increasing:
            readings = readings.sort_values("read_at", kind="stable")
        at = readings["read_at"].dt.as_unit("us").astype("int64").to_numpy()
        air = readings[list(OWN_AIR)].to_numpy(dtype=np.float64)
        splicer, site = _numbered(readings, "splicer"), _numbered(readings, "site")
        weather = _weather(_text(readings, "source"))
        weather |= (_text(readings, "pressure_reference") == "sea-level").to_numpy(bool)
        usable = ~np.isnan(air[:, :3]).all(axis=1)
        complete = ~np.isnan(air[:, -1])
        own = splicer[0] >= 0
        at_site = ~own & (site[0] >= 0)

        def parted(chosen: Bools) -> tuple[Pool, Pool, Pool]:
            return (
                Pool.of(at, air, splicer, chosen & own),
                Pool.of(at, air, site, chosen & at_site & ~weather),
                Pool.of(at, air, site, chosen & at_site & weather),
            )

        return cls(readings, at, (parted(usable & complete), parted(usable & ~complete)))

    def near(self, moments: list[pd.Timestamp], reach: pd.Timedelta) -> pd.DataFrame:
        """Readings within reach of any of some instants, in order of time."""
        kept = np.zeros(len(self.at), np.bool_)
        for moment in moments:
            first, last = ((moment + side).value // 1000 for side in (-reach, reach))
            kept[
                np.searchsorted(self.at, first, "left") : np.searchsorted(self.at, last, "right")
            ] = True
        return self.readings[kept]


def join_air(
    events: pd.DataFrame, readings: pd.DataFrame | AirSources, crew: Crew, time_column: str
) -> pd.DataFrame:
    """Give each event the air it happened in.

    Parameters
    ----------
    events : DataFrame
        Arc checks or splices; needs ``splicer`` and `time_column`, may carry its own air.
    readings : DataFrame or AirSources
        Readings as stored, or already through `prepare_readings`; `AirSources` where the same
        readings serve many joins.
    crew : Crew
        Home sites, elevations and ``air_max_age_min``.
    time_column : str
        Column of `events` with the instant, UTC.

    Returns
    -------
    DataFrame
        Same index as `events`, columns `AIR_COLUMNS`; ``air_age_min`` is the distance to the
        reading in minutes, whichever side it lies on. Events without air are NaN.

    Notes
    -----
    Sources in order: the event's own values, the splicer's log, the site's loggers, the site's
    weather stations; in each the nearest reading within the maximum age, never interpolated.
    Readings with all three quantities go before any with fewer, and sources are never mixed.
    Of two readings equally far, the earlier one counts; of two at one instant, the later stored.
    """
    sources = AirSources.of(readings, crew)
    rows = len(events)
    air, age = np.full((rows, len(OWN_AIR)), np.nan), np.full(rows, np.nan)
    source = np.full(rows, -1, np.int64)
    names = np.array([SAME_RECORD, SPLICER_LOG, SITE_LOGGER, WEATHER_STATION, None], object)

    timed = events[time_column].notna().to_numpy()
    when = events[time_column].dt.as_unit("us").astype("int64").to_numpy()
    keys = _whose(events, crew)
    own = _own_air(events)
    reach = int(pd.Timedelta(minutes=crew.air_max_age_min) // pd.Timedelta(microseconds=1))
    for complete, pools in zip((True, False), sources.pools, strict=True):
        has = ~np.isnan(own[:, -1]) if complete else ~np.isnan(own).all(axis=1)
        here = has & (source < 0)
        air[here], age[here], source[here] = own[here], 0.0, 0
        for number, (pool, (code, whose)) in enumerate(zip(pools, keys, strict=True), 1):
            for key, name in enumerate(whose):
                if name not in pool.times:
                    continue
                left = np.flatnonzero((code == key) & (source < 0) & timed)
                near, gap = _nearest(when[left], pool.times[name])
                found = gap <= reach
                to = left[found]
                air[to] = pool.air[name][near[found]]
                age[to] = gap[found] / 1e6 / 60.0
                source[to] = number
    frame = pd.DataFrame(air, index=events.index, columns=list(OWN_AIR))
    frame["air_age_min"] = age
    frame["air_source"] = pd.Series(names[source], index=events.index, dtype="str")
    return frame[list(AIR_COLUMNS)]


def _numbered(frame: pd.DataFrame, column: str) -> Keys:
    """Each row's word as a number (-1: none), and the words."""
    code, names = pd.factorize(_text(frame, column))
    return code, [str(name) for name in names]


def _whose(events: pd.DataFrame, crew: Crew) -> tuple[Keys, Keys, Keys]:
    """Splicer and, twice, site of each event, as numbers (-1: none) and their names."""
    (code, names), (at, sites) = _numbered(events, "splicer"), _numbered(events, "site")
    homes = [crew.splicers[name].home_site if name in crew.splicers else None for name in names]
    sites += sorted({home for home in homes if home is not None} - set(sites))
    place = np.array([-1 if home is None else sites.index(home) for home in [*homes, None]])
    site = np.where(at >= 0, at, place[code])
    return (code, names), (site, sites), (site, sites)


def _own_air(events: pd.DataFrame) -> Floats:
    """`OWN_AIR` that each event carries itself."""
    t, p, rh = (
        _number(events, name).to_numpy()
        for name in ("temperature_c", "pressure_hpa", "humidity_pct")
    )
    if np.isnan(t).all() and np.isnan(p).all() and np.isnan(rh).all():
        return np.full((len(events), len(OWN_AIR)), np.nan)
    return np.column_stack([t, p, rh, vapor_pressure(t, rh), air_density(t, p, rh)])


def _weather(source: pd.Series) -> Bools:
    """Whether a reading's source is a weather station."""
    code, names = pd.factorize(source)
    told = [*("weather" in str(name).lower() for name in names), False]
    return np.array(told, dtype=np.bool_)[code]


def _nearest(when: Ints, at: Ints) -> tuple[Ints, Ints]:
    """Position of the nearest reading for each instant, and how far it is, microseconds."""
    after = np.searchsorted(at, when, side="left")
    before = np.searchsorted(at, when, side="right") - 1
    far = np.iinfo(np.int64).max
    ahead = np.where(after < len(at), at[np.minimum(after, len(at) - 1)] - when, far)
    back = np.where(before >= 0, when - at[np.maximum(before, 0)], far)
    return np.where(back <= ahead, before, after), np.minimum(back, ahead)


def _text(frame: pd.DataFrame, column: str) -> pd.Series:
    if column not in frame.columns:
        return pd.Series(pd.NA, index=frame.index, dtype="str")
    values = frame[column]
    return values if isinstance(values.dtype, pd.CategoricalDtype) else values.astype("str")


def _number(frame: pd.DataFrame, column: str) -> pd.Series:
    if column not in frame.columns:
        return pd.Series(np.nan, index=frame.index)
    return frame[column].astype("float64")


def _reduction(elevation_m: Values, temperature_c: Values, vapor_pressure_hpa: Values) -> Floats:
    height = np.asarray(elevation_m, dtype=np.float64)
    kelvin = np.asarray(temperature_c, dtype=np.float64) + _KELVIN
    vapor = np.asarray(vapor_pressure_hpa, dtype=np.float64)
    return _KP * height / (kelvin + _LAPSE * height / 2.0 + vapor * _CH)


def _believed(values: Values, column: str) -> Floats:
    """Values as floats, NaN outside the bounds of the quantity."""
    bounds = QUANTITIES[column]
    numbers = np.asarray(values, dtype=np.float64)
    inside = (numbers >= bounds.low) & (numbers <= bounds.high)
    return np.where(inside, numbers, np.nan)


def _distinct(*columns: Floats) -> tuple[list[Floats], Ints]:
    """Distinct rows without NaN, and each row's place among them (-1 for a row with NaN).

    psychrolib works one value at a time; logs repeat themselves, so each value is asked once.
    Of a few rows, finding repeats costs more than asking again.
    """
    if columns[0].size <= FEW_ROWS:
        flat = [column.ravel() for column in columns]
        whole = ~np.isnan(flat).any(axis=0)
        place = np.where(whole, np.cumsum(whole) - 1, -1)
        return [column[whole] for column in flat], place
    table = pd.DataFrame(dict(enumerate(column.ravel() for column in columns)))
    known = table.dropna()
    code = np.full(len(table), -1, np.int64)
    code[table.notna().all(axis=1).to_numpy()] = known.groupby(list(table), sort=False).ngroup()
    distinct = known.drop_duplicates()
    return [distinct[name].to_numpy() for name in distinct], code


def _spread(distinct: Floats, code: Ints, shape: tuple[int, ...]) -> Floats:
    return np.append(distinct, np.nan)[code].reshape(shape)


def _each(function: Callable[..., float], *columns: Floats) -> Floats:
    return np.fromiter(map(function, *(c.tolist() for c in columns)), np.float64, len(columns[0]))


def _like(first: First, values: Floats) -> First:
    """Values as the kind of thing that came in."""
    if isinstance(first, pd.Series):
        return pd.Series(values, index=first.index)
    return cast(First, values if np.ndim(values) else float(values))
