"""Site, time zone and local workday of each record."""

import numpy as np
import pandas as pd

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.settings import Crew
from arcdrift.times import local_day

DAY, HALF_DAY = pd.Timedelta(days=1), pd.Timedelta(hours=12)
WORKDAYS_PER_MONTH = 22
"""A month of the false-alarm budget."""
LIGHT_DAY = 0.25
"""A day with a smaller share of the usual day's points, as on a weekend, is no workday of a month:
else a crew with a few splices every Sunday would get a budget of 16 months in a year."""
WORKDAY = "workday"
"""Column with the workday of each record, in frames for which it has been computed already."""


def day_begun_at(start: pd.Timestamp) -> pd.Timestamp:
    """Local day that began at an instant (UTC), as a naive midnight; findings carry such instants.

    Half a day later it has the same date in UTC, whatever the zone.
    """
    return (start + HALF_DAY).tz_convert("UTC").tz_localize(None).normalize()


def first_of_month_before(now: pd.Timestamp, days: int) -> pd.Timestamp:
    """First day of the month in which the last days begin, as a naive midnight.

    So that what is told of a person keeps its first day while the days move on.
    """
    return (now.tz_localize(None) - pd.Timedelta(days=days)).to_period("M").start_time


def record_sites(records: pd.DataFrame, crew: Crew, *, asset: str = "splicer") -> pd.Series:
    """Site of each record: the one logged, else the splicer's home site, else missing."""
    if "site" in records.columns:
        site = records["site"]
        if isinstance(site.dtype, pd.CategoricalDtype) and not site.hasnans:
            return site
    code, names = pd.factorize(records[asset])
    settings = (crew.splicers.get(str(name)) for name in names)
    homes = np.array([*(item.home_site if item else None for item in settings), None], dtype=object)
    sites = homes[code]
    if "site" in records.columns:
        site_code, site_names = pd.factorize(records["site"])
        logged = np.array([*map(str, site_names), None], dtype=object)[site_code]
        sites = np.where(site_code >= 0, logged, sites)
    return pd.Series(sites, index=records.index, dtype=object)


def site_time_zones(sites: pd.Series, crew: Crew) -> pd.Series:
    """Time zone of each site; UTC only if neither the site nor the crew has one.

    Records cannot be stored without a zone or an offset in the file, so UTC applies only to
    files whose times carry an offset, in a crew without a time zone.
    """
    fallback = crew.time_zone or "UTC"
    code, site_names = pd.factorize(sites)
    zones = [crew.zone_of(site) if site in crew.sites else None for site in site_names]
    filled = np.array([*(zone or fallback for zone in zones), fallback], dtype=object)
    return pd.Series(filled[code], index=sites.index, dtype=object)


def workdays(records: pd.DataFrame, crew: Crew, time_column: str) -> pd.Series:
    """Local workday of each record as a naive midnight; taken from `WORKDAY` if present.

    Parameters
    ----------
    records : DataFrame
        With ``splicer``, optionally ``site``, and ``time_column`` (UTC).
    """
    if WORKDAY in records.columns:
        return records[WORKDAY]
    zones = site_time_zones(record_sites(records, crew), crew)
    return local_day(records[time_column], zones, crew.day_offset)


def full_workdays(counts: Ints) -> Bools:
    """Whether each day is a workday of the crew, judged by the days up to it.

    Parameters
    ----------
    counts : array of int, shape (days,)
        Records or charted points of each day that has any, in order of day.

    Returns
    -------
    array of bool, shape (days,)
        Whether a day has at least `LIGHT_DAY` of the median of the last `WORKDAYS_PER_MONTH` days.
    """
    early = [
        np.median(counts[: day + 1]) for day in range(min(len(counts), WORKDAYS_PER_MONTH - 1))
    ]
    usual = np.array(early, dtype=np.float64)
    if len(counts) >= WORKDAYS_PER_MONTH:
        months = np.lib.stride_tricks.sliding_window_view(counts, WORKDAYS_PER_MONTH)
        usual = np.r_[usual, np.median(months, axis=1)]
    return np.asarray(counts >= LIGHT_DAY * usual, dtype=bool)


def monthly_counts(counts: Ints) -> Floats:
    """Counts in a month of `WORKDAYS_PER_MONTH` workdays, at the pace up to each day.

    Parameters
    ----------
    counts : array of int, shape (days,)
        As in `full_workdays`; what is counted on other days is included.
    """
    full = full_workdays(counts)
    total, done = np.r_[0, np.cumsum(counts)], np.cumsum(full)
    first = np.flatnonzero(full)
    start = first[np.maximum(done - WORKDAYS_PER_MONTH, 0)] if len(first) else done
    start = np.where(done > WORKDAYS_PER_MONTH, start, 0)
    days = np.clip(done, 1, WORKDAYS_PER_MONTH)
    return np.asarray(WORKDAYS_PER_MONTH * (total[1:] - total[start]) / days, dtype=np.float64)


def workdays_of(day: pd.Series) -> pd.Index:
    """Days of records that are workdays of the crew (`full_workdays`), in order."""
    counts = day.value_counts().sort_index()
    return counts.index[full_workdays(counts.to_numpy().astype(np.int64))]


def day_starts(days: pd.DataFrame, crew: Crew) -> pd.Series:
    """UTC time at which each row's local ``day`` started at its ``site``."""
    zones = site_time_zones(days["site"], crew)
    out = pd.Series(pd.NaT, index=days.index, dtype="datetime64[us, UTC]")
    for zone, part in days["day"].groupby(zones):
        wall = part + crew.day_offset
        local = wall.dt.tz_localize(str(zone), ambiguous=True, nonexistent="shift_forward")
        out.loc[part.index] = local.dt.tz_convert("UTC").dt.as_unit("us")
    return out
