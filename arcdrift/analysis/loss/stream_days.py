"""Splices summed into days of each splicer and program: what the loss chart reads.

The single splice is skewed and dirty, so the chart follows days. Each splice is capped at
3.5 times the stream's winsorized mean before it enters its day, so that one dirty splice
cannot pass for a risen level.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAY, record_sites, workdays
from arcdrift.analysis.common.event_lookup import count_events_until, splicer_index, to_microseconds
from arcdrift.analysis.common.grouping import as_text, fill_missing_text, group_index, group_sums
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.arrays import Datetimes, Floats, Ints
from arcdrift.settings import Crew

CAP_MULTIPLE = 3.5
"""Flat optimum between 3 and 4.5 in the simulation study."""
CAP_FLOOR_DB = 0.04
"""Four steps of the usual 0.01 dB resolution: a lower cap would count rounding."""
CALIBRATION_DAYS = 5
"""Days from which cap and first baseline are taken; no alarm can come from them."""
NO_PROGRAM = "(program not logged)"


def production(splices: pd.DataFrame) -> pd.DataFrame:
    """Splices a loss chart may use: production work with a loss figure."""
    kept = splices["loss_db"].notna() & (splices["purpose"] == "production")
    return splices[kept]


def loss_days(splices: pd.DataFrame, service: pd.DataFrame, crew: Crew) -> pd.DataFrame:
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
        One row a splicer, program, segment and local day, in that order: ``splicer``,
        ``program``, ``segment`` (count of restarting service events before the day's first
        splice), ``day``, ``site``, ``n``, ``total`` (sum of dB), ``capped`` (sum of capped dB),
        ``capped_squares``, ``cap`` (dB).
    """
    work = production(splices[[name for name in WORK_COLUMNS if name in splices.columns]])
    if work.empty:
        return pd.DataFrame(columns=DAY_COLUMNS)
    day = workdays(work, crew, "spliced_at").to_numpy()
    segment = segments(work["splicer"], day, work["spliced_at"], service)
    loss = work["loss_db"].to_numpy(dtype=np.float64)
    program = fill_missing_text(work["program"], NO_PROGRAM)
    stream, _ = group_index(work["splicer"], program)
    cell, first = group_index(stream, segment, day)
    unit, _ = group_index(stream[first], segment[first])
    cap = _caps(unit, cell, loss)[unit]
    capped = np.minimum(loss, cap[cell])
    sums = {"n": 1, "total": loss, "capped": capped, "capped_squares": capped**2}
    site = record_sites(work, crew)
    known = np.flatnonzero(site.notna())
    last = np.full(len(first), len(site))
    last[cell[known]] = known  # the last one stays
    days = group_sums(cell, sums, counts=("n",)).assign(
        splicer=as_text(work["splicer"].iloc[first]).array,
        program=as_text(program.iloc[first]).array,
        segment=segment[first],
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
    "day",
    "site",
    "n",
    "total",
    "capped",
    "capped_squares",
    "cap",
]


def segments(splicer: pd.Series, day: Datetimes, at: pd.Series, service: pd.DataFrame) -> Ints:
    """Segment of each splice: restarting services before the splicer's first splice of its day.

    Parameters
    ----------
    splicer : Series
        Of each splice.
    day : array of shape (n,)
        Local workday of each splice.
    at : Series
        When each was made (UTC).
    service : DataFrame
        Service events.
    """
    restarts = service[service["action"].isin(RESTART_ACTIONS)]
    if restarts.empty or not len(day):
        return np.zeros(len(day), dtype=np.int64)
    names = pd.Index(splicer.unique().astype("str"))
    who, place = splicer_index(splicer, names), splicer_index(restarts["asset"], names)
    restarts, place = restarts[place >= 0], place[place >= 0]
    cell, row = group_index(who, day)
    first = np.full(len(row), np.iinfo(np.int64).max)
    np.minimum.at(first, cell, to_microseconds(at))
    return count_events_until(who[row], first, place, to_microseconds(restarts["serviced_at"]))[
        cell
    ]


def _caps(unit: Ints, cell: Ints, loss: Floats) -> Floats:
    """Cap of each unit in dB from its calibration days: 3.5 x the winsorized mean, iterated.

    ``unit`` of each stream day, in order; ``cell`` is the stream day of each splice.
    """
    ordinal = np.arange(len(unit)) - np.searchsorted(unit, unit)
    early = ordinal[cell] < CALIBRATION_DAYS
    of, loss = unit[cell[early]], loss[early]
    n = np.bincount(of)
    cap = np.full(len(n), np.inf)
    for _ in range(30):  # contracts quickly; 30 rounds settle far below the 0.01 dB resolution
        mean = np.bincount(of, np.minimum(loss, cap[of])) / n
        new = np.maximum(CAP_MULTIPLE * mean, CAP_FLOOR_DB)
        if np.allclose(new, cap, rtol=1e-9, atol=0):
            break
        cap = new
    return cap
