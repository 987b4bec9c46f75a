"""The workday each record belongs to: its site's local day."""

import numpy as np
import pandas as pd

from arcdrift.settings import Crew
from arcdrift.times import local_day

WORKDAYS_PER_MONTH = 22
"""A month of the false-alarm budget."""
WORKDAY = "workday"
"""Column of records whose workdays were worked out before."""


def sites_of(records: pd.DataFrame, crew: Crew, *, asset: str = "splicer") -> pd.Series:
    """Site of each record: its own, else the splicer's home site, else missing."""
    if "site" in records.columns:
        site = records["site"]
        if isinstance(site.dtype, pd.CategoricalDtype) and not site.hasnans:
            return site
    code, names = pd.factorize(records[asset])
    known = (crew.splicers.get(str(name)) for name in names)
    homes = np.array([*(one.home_site if one else None for one in known), None], dtype=object)
    sites = homes[code]
    if "site" in records.columns:
        at, places = pd.factorize(records["site"])
        sites = np.where(at >= 0, np.array([*map(str, places), None], dtype=object)[at], sites)
    return pd.Series(sites, index=records.index, dtype=object)


def zones_of(sites: pd.Series, crew: Crew) -> pd.Series:
    """Time zone of each site; UTC only where neither the site nor the crew names one.

    Records cannot be stored without a zone or an offset in the file, so UTC stands here for
    files whose times carried an offset in a crew that never named its zone.
    """
    fallback = crew.time_zone or "UTC"
    code, places = pd.factorize(sites)
    zones = [crew.zone_of(site) if site in crew.sites else None for site in places]
    named = np.array([*(zone or fallback for zone in zones), fallback], dtype=object)
    return pd.Series(named[code], index=sites.index, dtype=object)


def workdays(records: pd.DataFrame, crew: Crew, time_column: str) -> pd.Series:
    """Local workday of each record as a naive midnight; `WORKDAY` where records carry it.

    Parameters
    ----------
    records : DataFrame
        With ``splicer``, optionally ``site``, and ``time_column`` (UTC).
    """
    if WORKDAY in records.columns:
        return records[WORKDAY]
    zones = zones_of(sites_of(records, crew), crew)
    return local_day(records[time_column], zones, crew.day_offset)


def day_starts(days: pd.DataFrame, crew: Crew) -> pd.Series:
    """UTC instant at which each row's local ``day`` began at its ``site``."""
    zones = zones_of(days["site"], crew)
    out = pd.Series(pd.NaT, index=days.index, dtype="datetime64[us, UTC]")
    for zone, part in days["day"].groupby(zones):
        wall = part + crew.day_offset
        local = wall.dt.tz_localize(str(zone), ambiguous=True, nonexistent="shift_forward")
        out.loc[part.index] = local.dt.tz_convert("UTC").dt.as_unit("us")
    return out
