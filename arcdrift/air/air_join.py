"""The air at each check and splice: the nearest reading of the best source."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.air.moist_air import air_density, vapor_pressure
from arcdrift.air.prepared_readings import (
    REDUCED,
    number_column,
    prepare_readings,
    text_column,
)
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.settings import Crew

Coded = tuple[Ints, list[str]]
"""Names coded as numbers: each row's position in a list of names (-1: none), and the list."""

AIR_COLUMNS = (
    "temperature_c",
    "station_pressure_hpa",
    "humidity_pct",
    "vapor_pressure",
    "air_density",
    "air_source",
    "air_age_min",
)
"""Columns that `join_air` gives to each event."""

_READING_COLUMNS = (
    "temperature_c",
    "station_pressure_hpa",
    "humidity_pct",
    "vapor_pressure",
    "air_density",
)
"""Columns taken from one reading, in the order of the arrays below."""

_SOURCE_COLUMNS = ("splicer", "site", "station", "source", "pressure_reference")
"""Columns that tell the source of a reading."""

SAME_RECORD = "splicer, same record"
SPLICER_LOG = "splicer log"
SITE_LOGGER = "site logger"
WEATHER_STATION = "weather station"


@dataclass(frozen=True)
class _ReadingsByName:
    """Readings of one kind of source, in time order.

    Attributes
    ----------
    times : dict of array
        Microseconds UTC by splicer or site.
    air : dict of array of shape (readings, 5)
        `_READING_COLUMNS` of the same readings.
    """

    times: dict[str, Ints]
    air: dict[str, Floats]


def _by_name(times: Ints, air: Floats, coded: Coded, chosen: Bools) -> _ReadingsByName:
    """Divide the chosen readings, sorted by time, by splicer or site."""
    if not chosen.any():
        return _ReadingsByName({}, {})
    code, names = coded
    rows = {name: np.flatnonzero(chosen & (code == number)) for number, name in enumerate(names)}
    rows = {name: positions for name, positions in rows.items() if len(positions)}
    return _ReadingsByName(
        {name: times[positions] for name, positions in rows.items()},
        {name: air[positions] for name, positions in rows.items()},
    )


_Sources = tuple[_ReadingsByName, _ReadingsByName, _ReadingsByName]


@dataclass(frozen=True)
class AirSources:
    """Prepared readings, divided by source once for any number of joins.

    Attributes
    ----------
    readings : DataFrame
        Time, air and source of the readings from `prepare_readings`, in order of time. Text is in
        categories: a review sends the readings to other processes with each part of the crew.
    times : array of shape (readings,)
        Microseconds UTC of the same readings.
    by_source : tuple
        Readings with all three quantities, then the others; of each, those of splicers' own
        logs, of loggers at sites, and of weather stations at sites.
    """

    readings: pd.DataFrame
    times: Ints
    by_source: tuple[_Sources, _Sources]

    @classmethod
    def from_readings(cls, readings: "pd.DataFrame | AirSources", crew: Crew) -> "AirSources":
        """Prepare readings where that was not done before, and divide them by source."""
        if isinstance(readings, AirSources):
            return readings
        if "air_density" not in readings.columns:
            readings = prepare_readings(readings, crew)
        if readings["read_at"].hasnans:
            readings = readings.dropna(subset=["read_at"])
        if not readings["read_at"].is_monotonic_increasing:
            readings = readings.sort_values("read_at", kind="stable")
        text = [name for name in _SOURCE_COLUMNS if name in readings.columns]
        readings = readings[["read_at", *_READING_COLUMNS, *text]]
        readings = readings.astype(dict.fromkeys(text, "category"))
        times = readings["read_at"].dt.as_unit("us").astype("int64").to_numpy()
        air = readings[list(_READING_COLUMNS)].to_numpy(dtype=np.float64)
        splicer, site = _coded(readings, "splicer"), _coded(readings, "site")
        weather = _is_weather_station(text_column(readings, "source"))
        weather |= text_column(readings, "pressure_reference").isin(REDUCED).to_numpy(bool)
        weather |= text_column(readings, "station").notna().to_numpy(bool)
        usable = ~np.isnan(air[:, :3]).all(axis=1)
        complete = ~np.isnan(air[:, -1])
        of_splicer = splicer[0] >= 0
        of_site = ~of_splicer & (site[0] >= 0)

        def divided(chosen: Bools) -> _Sources:
            return (
                _by_name(times, air, splicer, chosen & of_splicer),
                _by_name(times, air, site, chosen & of_site & ~weather),
                _by_name(times, air, site, chosen & of_site & weather),
            )

        return cls(readings, times, (divided(usable & complete), divided(usable & ~complete)))

    def near(self, moments: list[pd.Timestamp], reach: pd.Timedelta) -> pd.DataFrame:
        """Readings within `reach` of any of some instants, in order of time."""
        near = np.zeros(len(self.times), np.bool_)
        for moment in moments:
            first, last = ((moment + side).value // 1000 for side in (-reach, reach))
            start = np.searchsorted(self.times, first, "left")
            near[start : np.searchsorted(self.times, last, "right")] = True
        return self.readings[near]


def join_air(
    events: pd.DataFrame, readings: pd.DataFrame | AirSources, crew: Crew, time_column: str
) -> pd.DataFrame:
    """Find the air at each event: the nearest reading of the best source.

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
    Readings with all three quantities are preferred to any with fewer, and sources are never
    mixed. Of two readings equally far, the earlier one is used; of two at one instant, the one
    stored later.
    """
    sources = AirSources.from_readings(readings, crew)
    n = len(events)
    air, age_min = np.full((n, len(_READING_COLUMNS)), np.nan), np.full(n, np.nan)
    source = np.full(n, -1, np.int64)
    names_of_sources = [SAME_RECORD, SPLICER_LOG, SITE_LOGGER, WEATHER_STATION, None]
    source_names = pd.array(names_of_sources, dtype="str")

    timed = events[time_column].notna().to_numpy()
    times = events[time_column].dt.as_unit("us").astype("int64").to_numpy()
    coded = _coded_splicers_and_sites(events, crew)
    own_air = _own_air(events)
    max_age = int(pd.Timedelta(minutes=crew.air_max_age_min) // pd.Timedelta(microseconds=1))
    for complete, by_source in zip((True, False), sources.by_source, strict=True):
        has_own = ~np.isnan(own_air[:, -1]) if complete else ~np.isnan(own_air).all(axis=1)
        from_own = has_own & (source < 0)
        air[from_own], age_min[from_own], source[from_own] = own_air[from_own], 0.0, 0
        for number, (by_name, (code, names)) in enumerate(zip(by_source, coded, strict=True), 1):
            for name_code, name in enumerate(names):
                if name not in by_name.times:
                    continue
                rows = np.flatnonzero((code == name_code) & (source < 0) & timed)
                nearest, gap = _nearest(times[rows], by_name.times[name])
                found = gap <= max_age
                filled = rows[found]
                air[filled] = by_name.air[name][nearest[found]]
                age_min[filled] = gap[found] / 1e6 / 60.0
                source[filled] = number
    columns = {
        **dict(zip(_READING_COLUMNS, air.T, strict=True)),
        "air_source": source_names.take(source),  # the last one, at -1, is for events without air
        "air_age_min": age_min,
    }
    return pd.DataFrame({name: columns[name] for name in AIR_COLUMNS}, index=events.index)


def _coded(frame: pd.DataFrame, column: str) -> Coded:
    """Names in a column, coded as numbers."""
    code, names = pd.factorize(text_column(frame, column))
    return code, [str(name) for name in names]


def _coded_splicers_and_sites(events: pd.DataFrame, crew: Crew) -> tuple[Coded, Coded, Coded]:
    """Splicer and, twice, site of each event, coded; the home site where a row names none."""
    (splicer, names), (site, sites) = _coded(events, "splicer"), _coded(events, "site")
    homes = [crew.splicers[name].home_site if name in crew.splicers else None for name in names]
    sites += sorted({home for home in homes if home is not None} - set(sites))
    # the last one is for rows without a splicer, whose code is -1
    home_codes = np.array([-1 if home is None else sites.index(home) for home in [*homes, None]])
    site = np.where(site >= 0, site, home_codes[splicer])
    return (splicer, names), (site, sites), (site, sites)


def _own_air(events: pd.DataFrame) -> Floats:
    """`_READING_COLUMNS` of each event's own record."""
    t, p, rh = (
        number_column(events, name).to_numpy()
        for name in ("temperature_c", "pressure_hpa", "humidity_pct")
    )
    if np.isnan(t).all() and np.isnan(p).all() and np.isnan(rh).all():
        return np.full((len(events), len(_READING_COLUMNS)), np.nan)
    return np.column_stack([t, p, rh, vapor_pressure(t, rh), air_density(t, p, rh)])


def _is_weather_station(source: pd.Series) -> Bools:
    """Whether a reading's source is a weather station, by its name."""
    code, names = pd.factorize(source)
    by_name = [*("weather" in str(name).lower() for name in names), False]
    return np.array(by_name, dtype=np.bool_)[code]


def _nearest(times: Ints, reading_times: Ints) -> tuple[Ints, Ints]:
    """Position of the nearest reading for each time, and how far it is, microseconds."""
    last = len(reading_times) - 1
    after = np.searchsorted(reading_times, times, side="left")
    before = np.searchsorted(reading_times, times, side="right") - 1
    none = np.iinfo(np.int64).max
    ahead = np.where(after <= last, reading_times[np.minimum(after, last)] - times, none)
    back = np.where(before >= 0, times - reading_times[np.maximum(before, 0)], none)
    return np.where(back <= ahead, before, after), np.minimum(back, ahead)
