"""Baseline of a loss chart: the days it consists of, and days a person excluded or froze."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.loss.day_level import LAG_DAYS, LAG_FROM, LAG_SUSPENDED_DAYS


@dataclass(frozen=True)
class Baseline:
    """Composition of a stream's baseline after its last day.

    Attributes
    ----------
    days : int
        Days of work on record, without excluded ones.
    learned : int
        Days in the baseline.
    first, last : str or None
        First and last of them, ISO.
    lag : int
        Newest days of work, which are not in the baseline yet.
    alarmed, frozen, excluded : int
        Days of work that are not in it: with an alarm, or frozen or excluded by a person.
    last_service : str or None
        Latest service that may have moved the level; the baseline survived it.
    last_service_at : Timestamp or None
        UTC instant of that service.
    """

    days: int
    learned: int
    first: str | None
    last: str | None
    lag: int
    alarmed: int
    frozen: int
    excluded: int
    last_service: str | None
    last_service_at: pd.Timestamp | None


def describe_baseline(days: pd.DataFrame, service: pd.DataFrame) -> Baseline:
    """Composition of one stream's baseline.

    Parameters
    ----------
    days : DataFrame
        Every row of ``result_stream_days`` of the stream; at least one.
    service : DataFrame
        ``serviced_at`` (UTC) and ``action`` of its splicer's service events.
    """
    days = days.sort_values("day")
    segment = int(days["segment"].iloc[-1])
    excluded = days["excluded"].to_numpy(dtype=bool)
    worked = days[~excluded]
    since_service = int((worked["segment"] == segment).sum())
    settled = segment == 0 or since_service > LAG_SUSPENDED_DAYS
    lag = LAG_DAYS if len(worked) >= LAG_FROM and settled else 0
    known = worked.iloc[: len(worked) - lag]
    alarmed = (known["alarm"] != "").to_numpy()
    frozen = known["frozen"].to_numpy(dtype=bool) & ~alarmed
    learned = known.loc[~alarmed & ~frozen, "day"]
    restarts = service[service["action"].isin(RESTART_ACTIONS)].sort_values("serviced_at")
    event = restarts.iloc[segment - 1] if 0 < segment <= len(restarts) else None
    return Baseline(
        days=len(worked),
        learned=len(learned),
        first=str(learned.iloc[0]) if len(learned) else None,
        last=str(learned.iloc[-1]) if len(learned) else None,
        lag=lag,
        alarmed=int(alarmed.sum()),
        frozen=int(frozen.sum()),
        excluded=int(excluded.sum()),
        last_service=None if event is None else str(event["action"]),
        last_service_at=None if event is None else event["serviced_at"],
    )


def apply_baseline_marks(days: pd.DataFrame, marks: pd.DataFrame | None) -> pd.DataFrame:
    """Add the columns ``excluded`` and ``frozen`` to stream days.

    Parameters
    ----------
    days : DataFrame
        From `arcdrift.analysis.loss.stream_days.sum_stream_days`.
    marks : DataFrame or None
        ``action`` (``exclude`` or ``freeze``), ``splicer`` and ``program`` (missing: all),
        ``first_day`` and ``last_day`` (missing: no end) of each mark, as ISO text.
    """
    flags = {name: np.zeros(len(days), dtype=bool) for name in ("exclude", "freeze")}
    for mark in [] if marks is None else marks.to_dict("records"):
        rows = days["day"].to_numpy() >= np.datetime64(mark["first_day"])
        if pd.notna(mark["last_day"]):
            rows = rows & (days["day"].to_numpy() <= np.datetime64(mark["last_day"]))
        for name in ("splicer", "program"):
            if pd.notna(mark[name]):
                rows = rows & np.asarray(days[name] == mark[name], dtype=bool)
        flags[str(mark["action"])] |= rows
    return days.assign(excluded=flags["exclude"], frozen=flags["freeze"])
