"""Sums of splices by splicer, program and day: the input of the loss charts.

Single losses are skewed and contain outliers, so the charts follow days. Each loss is capped at
3.5 times the stream's winsorized mean before it is added to its day, so that one dirty splice does
not look like a raised level.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAY, record_sites, workdays
from arcdrift.analysis.common.event_lookup import count_events_until, splicer_index, to_microseconds
from arcdrift.analysis.common.grouping import as_text, fill_missing_text, group_index, group_sums
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS
from arcdrift.arrays import Datetimes, Floats, Ints
from arcdrift.settings import Crew

CAP_MULTIPLE = 3.5
"""Anything from 3 to 4.5 was about equally good in the simulation study."""
CAP_FLOOR_DB = 0.04
"""Lowest cap: four steps of the usual 0.01 dB resolution; a lower one would act on rounding."""
CALIBRATION_DAYS = 5
"""First days of a stream: they give its cap and first baseline, and no alarms."""
NO_PROGRAM = "(program not logged)"


def production_splices(splices: pd.DataFrame) -> pd.DataFrame:
    """Splices for loss charts: production work with a loss figure."""
    return splices[splices["loss_db"].notna() & (splices["purpose"] == "production")]


def aggregate_stream_days(splices: pd.DataFrame, service: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Sum production splices into stream days.

    Parameters
    ----------
    splices : DataFrame
        Splices of any number of splicers.
    service : DataFrame
        Service events (``asset``, ``serviced_at``, ``action``).

    Returns
    -------
    DataFrame
        One row per splicer, program and local day, in that order: ``splicer``, ``program``,
        number of restarting service events before the day's first splice, by action
        (`arcdrift.analysis.loss.service_shift.EVENT_COLUMNS`) and of all (``segment``), ``day``,
        ``site``, ``n``, ``total`` (sum of dB), ``capped`` (sum of capped dB),
        ``capped_squares``, ``cap`` (dB).
    """
    work = production_splices(splices[[name for name in WORK_COLUMNS if name in splices.columns]])
    if work.empty:
        return pd.DataFrame(columns=DAY_COLUMNS)
    day = workdays(work, crew, "spliced_at").to_numpy()
    events = service_counts(work["splicer"], day, work["spliced_at"], service)
    loss = work["loss_db"].to_numpy(dtype=np.float64)
    program = fill_missing_text(work["program"], NO_PROGRAM)
    stream, _ = group_index(work["splicer"], program)
    cell, first = group_index(stream, day)
    unit = stream[first]
    cap = _caps(unit, cell, loss)[unit]
    capped = np.minimum(loss, cap[cell])
    sums = {"n": 1, "total": loss, "capped": capped, "capped_squares": capped**2}
    site = record_sites(work, crew)
    known = np.flatnonzero(site.notna())
    last = np.full(len(first), len(site))
    last[cell[known]] = known  # numpy keeps the last of repeated assignments
    days = group_sums(cell, sums, counts=("n",)).assign(
        splicer=as_text(work["splicer"].iloc[first]).array,
        program=as_text(program.iloc[first]).array,
        segment=events[:, first].sum(axis=0),
        **dict(zip(EVENT_COLUMNS, events[:, first], strict=True)),
        day=day[first],
        site=pd.Series(np.append(site.to_numpy(dtype=object), [None])[last]).astype(object),
        cap=cap,
    )
    return days[DAY_COLUMNS]


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
    splicer: pd.Series, day: Datetimes, at: pd.Series, service: pd.DataFrame
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

    Returns
    -------
    array of shape (actions, n)
        In the order of `RESTART_ACTIONS`.
    """
    if not len(day):
        return np.zeros((len(RESTART_ACTIONS), 0), dtype=np.int64)
    names = pd.Index(splicer.unique().astype("str"))
    who = splicer_index(splicer, names)
    cell, row = group_index(who, day)
    first = np.full(len(row), np.iinfo(np.int64).max)
    np.minimum.at(first, cell, to_microseconds(at))
    counts = []
    for action in RESTART_ACTIONS:
        events = service[service["action"] == action]
        place = splicer_index(events["asset"], names)
        times = to_microseconds(events.loc[place >= 0, "serviced_at"])
        counts.append(count_events_until(who[row], first, place[place >= 0], times)[cell])
    return np.stack(counts)


def _caps(unit: Ints, cell: Ints, loss: Floats) -> Floats:
    """Cap of each unit in dB from its calibration days: 3.5 x the winsorized mean, iterated.

    Parameters
    ----------
    unit : array, shape (stream days,)
        Stream of each stream day, in order.
    cell : array, shape (splices,)
        Stream day of each splice.
    loss : array, shape (splices,)
        dB.
    """
    ordinal = np.arange(len(unit)) - np.searchsorted(unit, unit)
    early = ordinal[cell] < CALIBRATION_DAYS
    splice_unit, loss = unit[cell[early]], loss[early]
    n = np.bincount(splice_unit)
    cap = np.full(len(n), np.inf)
    for _ in range(30):  # converges far below the 0.01 dB resolution within 30 rounds
        mean = np.bincount(splice_unit, np.minimum(loss, cap[splice_unit])) / n
        new = np.maximum(CAP_MULTIPLE * mean, CAP_FLOOR_DB)
        if np.allclose(new, cap, rtol=1e-9, atol=0):
            break
        cap = new
    return cap
