"""Service events that are marked along the top of a loss chart.

Only the chart of a person shows events about people: their first day on another splicer.
"""

from typing import Literal

import pandas as pd

from arcdrift.figures.events import NEW_SPLICER
from dashboard.reading.data import CrewData

COLUMNS = ["at", "action", "asset"]
SOON = pd.Timedelta(days=7)
"""Service of a splicer is shown to people who work on it within this time."""
SETTLED = pd.Timedelta(days=14)
"""Time on record after which a splicer that first appears is new to a person."""


def events_of(data: CrewData, kind: str, name: str) -> pd.DataFrame:
    """Return the events to mark on the chart of a stream, splicer, site, person or the crew.

    Returns
    -------
    DataFrame
        ``at`` (naive local), ``action`` and ``asset``, in order of time.
    """
    service = data.all_service()
    if kind in ("splicer", "stream"):
        selected = service[service["splicer"] == name.partition(" / ")[0]]
    elif kind == "site":
        selected = _at_site(service, data.result("result_stream_days"), name)
    elif kind == "technician":
        selected = _of_person(service, data.worked_by(name))
    else:
        selected = service
    distinct = selected[COLUMNS].drop_duplicates(["asset", "action", "at"])
    return distinct.sort_values("at", kind="stable", ignore_index=True)


def _at_site(service: pd.DataFrame, days: pd.DataFrame, site: str) -> pd.DataFrame:
    """Select service of splicers last used at a site."""
    site_days = days[["splicer", "day", "site"]].drop_duplicates(["splicer", "day"])
    return _beside(service, site_days, direction="backward").query("site == @site")


def _of_person(service: pd.DataFrame, worked: pd.DataFrame) -> pd.DataFrame:
    """Select service of splicers a person soon worked on, and add first days on new splicers."""
    if worked.empty:
        return service[:0]
    near = _beside(service, worked, direction="forward", tolerance=SOON)
    first = pd.to_datetime(worked.groupby("splicer")["day"].min())
    new = first[first > first.min() + SETTLED]
    new_splicers = pd.DataFrame({"asset": new.index, "at": new.to_numpy(), "action": NEW_SPLICER})
    near = near.dropna(subset=["worked"])
    return near if new_splicers.empty else pd.concat([near, new_splicers], ignore_index=True)


def _beside(
    service: pd.DataFrame,
    days: pd.DataFrame,
    *,
    direction: Literal["backward", "forward"],
    tolerance: pd.Timedelta | None = None,
) -> pd.DataFrame:
    """Join each service event with its splicer's nearest day before or after it (``worked``)."""
    days = days.assign(worked=pd.to_datetime(days["day"]).dt.as_unit("us")).drop(columns="day")
    return pd.merge_asof(
        service.assign(on=service["at"].dt.normalize(), splicer=service["splicer"].astype(object))
        .sort_values("on", kind="stable"),
        days.assign(on=days["worked"], splicer=days["splicer"].astype(object)).sort_values("on"),
        on="on", by="splicer", direction=direction, tolerance=tolerance,
    )  # fmt: skip
