"""Site, time zone and local workday of each record."""

import numpy as np
import pandas as pd

from arcdrift.settings import Crew
from arcdrift.times import local_day

DAY = pd.Timedelta(days=1)
WORKDAYS_PER_MONTH = 22
"""A month of the false-alarm budget."""
WORKDAY = "workday"
"""Column with the workday of each record, in frames for which it has been computed already."""


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


def day_starts(days: pd.DataFrame, crew: Crew) -> pd.Series:
    """UTC time at which each row's local ``day`` started at its ``site``."""
    zones = site_time_zones(days["site"], crew)
    out = pd.Series(pd.NaT, index=days.index, dtype="datetime64[us, UTC]")
    for zone, part in days["day"].groupby(zones):
        wall = part + crew.day_offset
        local = wall.dt.tz_localize(str(zone), ambiguous=True, nonexistent="shift_forward")
        out.loc[part.index] = local.dt.tz_convert("UTC").dt.as_unit("us")
    return out
