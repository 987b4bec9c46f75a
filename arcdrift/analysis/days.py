"""The workday each record belongs to: its site's local day."""

import pandas as pd

from arcdrift.settings import Crew
from arcdrift.times import local_day


def sites_of(records: pd.DataFrame, crew: Crew, *, asset: str = "splicer") -> pd.Series:
    """Site of each record: its own, else the splicer's home site, else missing."""
    homes = {name: splicer.home_site for name, splicer in crew.splicers.items()}
    home = records[asset].map(homes)
    if "site" not in records.columns:
        return home
    return records["site"].astype(object).where(records["site"].notna(), home)


def zones_of(sites: pd.Series, crew: Crew) -> pd.Series:
    """Time zone of each site; UTC only where neither the site nor the crew names one.

    Records cannot be stored without a zone or an offset in the file, so UTC stands here for
    files whose times carried an offset in a crew that never named its zone.
    """
    fallback = crew.time_zone or "UTC"
    zones = {site: crew.zone_of(site) or fallback for site in crew.sites}
    named = sites.astype(object).map(zones).astype(object)
    return named.where(named.notna(), fallback)


def workdays(records: pd.DataFrame, crew: Crew, time_column: str) -> pd.Series:
    """Local workday of each record as a naive midnight.

    Parameters
    ----------
    records : DataFrame
        With ``splicer``, optionally ``site``, and ``time_column`` (UTC).
    """
    zones = zones_of(sites_of(records, crew), crew)
    return local_day(records[time_column], zones, crew.day_offset)
