"""Sums of splices by splicer, program and day: the input of the loss charts.

Single losses are skewed and contain outliers, so the charts follow days. Each loss is capped at
3.5 times the stream's winsorized mean before it is added to its day, so that one dirty splice does
not look like a raised level.
"""

from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAY, record_sites, workdays
from arcdrift.analysis.common.event_lookup import count_events_until, splicer_index, to_microseconds
from arcdrift.analysis.common.grouping import (
    as_text,
    fill_missing_text,
    group_index,
    group_sums,
    rows_with,
    text_codes,
)
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS
from arcdrift.arrays import Bools, Datetimes, Floats, Ints
from arcdrift.settings import Crew

CAP_MULTIPLE = 3.5
"""Anything from 3 to 4.5 was about equally good in the simulation study."""
CAP_FLOOR_DB = 0.04
"""Lowest cap: four steps of the usual 0.01 dB resolution; a lower one would act on rounding."""
CALIBRATION_DAYS = 5
"""First days of a stream: they give its cap and first baseline, and no alarms."""
NO_PROGRAM = "(program not logged)"


class StreamDays(NamedTuple):
    """Stream days, and the one to which each splice belongs.

    Attributes
    ----------
    days : DataFrame
        One row per splicer, program and local day, in that order: ``splicer``, ``program``,
        number of restarting service events before the day's first splice, by action
        (`arcdrift.analysis.loss.service_shift.EVENT_COLUMNS`) and of all (``segment``), ``day``,
        ``site``, ``n``, ``total`` (sum of dB), ``capped`` (sum of capped dB),
        ``capped_squares``, ``cap`` (dB).
    of_splice : array of shape (splices,)
        Row of `days` of each production splice.
    """

    days: pd.DataFrame
    of_splice: Ints


def in_loss_charts(splices: pd.DataFrame) -> Bools:
    """Whether each splice belongs in loss charts: production work with a loss figure."""
    known = ~np.isnan(splices["loss_db"].to_numpy(dtype=np.float64, na_value=np.nan))
    return np.asarray(known & rows_with(splices["purpose"], "production"))


def production_splices(splices: pd.DataFrame) -> pd.DataFrame:
    """Splices for loss charts: production work with a loss figure."""
    return splices[in_loss_charts(splices)]


def calibration_losses(splices: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Losses on the first days of each stream, from which its cap is calculated.

    Returns
    -------
    DataFrame
        ``splicer``, ``program``, ``day``, ``loss_db``: production splices of the first
        `CALIBRATION_DAYS` days of each stream, sorted by all columns.
    """
    work = production_splices(splices[[name for name in WORK_COLUMNS if name in splices.columns]])
    if work.empty:
        return pd.DataFrame(columns=CALIBRATION_COLUMNS)
    day = workdays(work, crew, "spliced_at").to_numpy()
    program = fill_missing_text(work["program"], NO_PROGRAM)
    stream, _ = group_index(work["splicer"], program)
    early = np.flatnonzero(in_first_days(stream, day))
    losses = pd.DataFrame(
        {
            "splicer": as_text(work["splicer"].iloc[early]).array,
            "program": as_text(program.iloc[early]).array,
            "day": day[early],
            "loss_db": work["loss_db"].to_numpy(dtype=np.float64)[early],
        }
    )
    return losses.sort_values(CALIBRATION_COLUMNS, ignore_index=True)


def in_first_days(stream: Ints, day: Any) -> Bools:
    """Whether each row is of the first `CALIBRATION_DAYS` days of its stream, shape (rows,)."""
    cell, first = group_index(stream, day)
    unit = stream[first]
    is_early = np.arange(len(unit)) - np.searchsorted(unit, unit) < CALIBRATION_DAYS
    return np.asarray(is_early[cell], dtype=bool)


def stream_caps(losses: pd.DataFrame) -> pd.DataFrame:
    """Cap of each stream: 3.5 x the winsorized mean of its calibration days, iterated.

    Parameters
    ----------
    losses : DataFrame
        From `calibration_losses`.

    Returns
    -------
    DataFrame
        ``splicer``, ``program``, ``cap`` (dB), ``days`` (number of calibration days).
    """
    if losses.empty:
        return pd.DataFrame(columns=CAP_COLUMNS)
    unit, first = group_index(losses["splicer"], losses["program"])
    _, first_of_day = group_index(unit, losses["day"])
    days = np.bincount(unit[first_of_day])
    return (
        losses.iloc[first][["splicer", "program"]]
        .assign(cap=_winsorized_caps(unit, losses["loss_db"].to_numpy(dtype=np.float64)), days=days)
        .reset_index(drop=True)
    )


def sum_stream_days(
    work: pd.DataFrame, service: pd.DataFrame, crew: Crew, caps: pd.DataFrame
) -> StreamDays:
    """Sum production splices of any number of splicers into stream days, and number them.

    Parameters
    ----------
    work : DataFrame
        From `production_splices`.
    service : DataFrame
        Service events (``asset``, ``serviced_at``, ``action``).
    caps : DataFrame
        Caps of all their streams (`stream_caps`).
    """
    if work.empty:
        return StreamDays(pd.DataFrame(columns=DAY_COLUMNS), np.zeros(0, dtype=np.int64))
    day = workdays(work, crew, "spliced_at").to_numpy()
    loss = work["loss_db"].to_numpy(dtype=np.float64)
    program = fill_missing_text(work["program"], NO_PROGRAM)
    stream, first_of_stream = group_index(work["splicer"], program)
    cell, first = group_index(stream, day)
    events = service_counts(work["splicer"], day, work["spliced_at"], service, first)
    cap = _cap_of_streams(work["splicer"], program, first_of_stream, caps)[stream[first]]
    capped = np.minimum(loss, cap[cell])
    sums = {"n": 1, "total": loss, "capped": capped, "capped_squares": capped**2}
    site, sites = text_codes(record_sites(work, crew))
    known = np.flatnonzero(site >= 0)
    last = np.full(len(first), -1)
    last[cell[known]] = site[known]  # numpy keeps the last of repeated assignments
    days = group_sums(cell, sums, counts=("n",)).assign(
        splicer=as_text(work["splicer"].iloc[first]).array,
        program=as_text(program.iloc[first]).array,
        segment=events.sum(axis=0),
        **dict(zip(EVENT_COLUMNS, events, strict=True)),
        day=day[first],
        site=pd.Series(np.array([*sites, None], dtype=object)[last], dtype=object),
        cap=cap,
    )
    return StreamDays(days[DAY_COLUMNS], cell)


CALIBRATION_COLUMNS = ["splicer", "program", "day", "loss_db"]
CAP_COLUMNS = ["splicer", "program", "cap", "days"]
WORK_COLUMNS = ["splicer", "program", "spliced_at", WORKDAY, "site", "loss_db", "purpose"]
DAY_COLUMNS = [
    "splicer",
    "program",
    "segment",
    *EVENT_COLUMNS,
    "day",
    "site",
    "n",
    "total",
    "capped",
    "capped_squares",
    "cap",
]


def service_counts(
    splicer: pd.Series, day: Datetimes, at: pd.Series, service: pd.DataFrame, rows: Ints
) -> Ints:
    """Number of restarting services of each action before the splicer's first splice of the day.

    Parameters
    ----------
    splicer : Series
        Splicer of each splice.
    day : array of shape (n,)
        Local workday of each splice.
    at : Series
        Time of each splice (UTC).
    service : DataFrame
        Service events.
    rows : array of shape (rows,)
        Splices for whose days the services are wanted.

    Returns
    -------
    array of shape (actions, rows)
        In the order of `RESTART_ACTIONS`.
    """
    who, texts = text_codes(splicer)
    names = pd.Index(texts.astype("str"))
    cell, first_row = group_index(who, day)
    began = np.full(len(first_row), np.iinfo(np.int64).max)
    np.minimum.at(began, cell, to_microseconds(at))
    cells = cell[rows]
    counts = np.zeros((len(RESTART_ACTIONS), len(cells)), dtype=np.int64)
    place, served_at = (
        splicer_index(service["asset"], names),
        to_microseconds(service["serviced_at"]),
    )
    for number, action in enumerate(RESTART_ACTIONS):
        rows = np.flatnonzero(rows_with(service["action"], action) & (place >= 0))
        events = (place[rows], served_at[rows])
        counts[number] = count_events_until(who[first_row], began, *events)[cells]
    return counts


def _cap_of_streams(
    splicer: pd.Series, program: pd.Series, first: Ints, caps: pd.DataFrame
) -> Floats:
    """Cap of each stream (dB); `first` has the row of its first splice."""
    names = (as_text(values.iloc[first]) for values in (splicer, program))
    known = dict(zip(zip(caps["splicer"], caps["program"], strict=True), caps["cap"], strict=True))
    return np.array([known[key] for key in zip(*names, strict=True)], dtype=np.float64)


def _winsorized_caps(unit: Ints, loss: Floats) -> Floats:
    """Cap of each unit in dB from the losses (dB) of its calibration days.

    Parameters
    ----------
    unit, loss : array, shape (splices,)
    """
    n = np.bincount(unit)
    cap = np.full(len(n), np.inf)
    settled = np.zeros(len(n), dtype=bool)  # each by itself, so that no other unit matters
    for _ in range(30):  # converges far below the 0.01 dB resolution within 30 rounds
        mean = np.bincount(unit, np.minimum(loss, cap[unit])) / n
        new = np.maximum(CAP_MULTIPLE * mean, CAP_FLOOR_DB)
        settled |= np.isclose(new, cap, rtol=1e-9, atol=0)
        cap = np.where(settled, cap, new)
        if settled.all():
            break
    return cap
