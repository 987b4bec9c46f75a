"""Splices of one splicer summed into days: what the loss chart reads.

The single splice is skewed and dirty, so the chart follows days. Each splice is capped at
3.5 times the stream's winsorized mean before it enters its day, so that one dirty splice
cannot pass for a risen level.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.days import sites_of, workdays
from arcdrift.settings import Crew

CAP_MULTIPLE = 3.5
"""Flat optimum between 3 and 4.5 in the simulation study."""
CAP_FLOOR_DB = 0.04
"""Four steps of the usual 0.01 dB resolution: a lower cap would count rounding."""
CALIBRATION_DAYS = 5
"""Days from which cap and first baseline are taken; no alarm can come from them."""
RESTART_ACTIONS = (
    "electrodes replaced",
    "factory service",
    "firmware updated",
)
"""Service on a splicer after which the old loss level is no longer the right comparison.

Cleaning is not among them: it brings a splicer back to the level it had, and a baseline begun
anew at every cleaning would be taken from the few days after it and never grow up."""
NO_PROGRAM = "(program not logged)"
UNIT = ["program", "segment"]


def production(splices: pd.DataFrame) -> pd.DataFrame:
    """Splices a loss chart may use: production work with a loss figure."""
    kept = splices["loss_db"].notna() & (splices["purpose"] == "production")
    return splices[kept]


def loss_days(splices: pd.DataFrame, service: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Sum one splicer's production splices into stream days.

    Parameters
    ----------
    splices : DataFrame
        One splicer's splices.
    service : DataFrame
        Service events of that splicer (``asset``, ``serviced_at``, ``action``).

    Returns
    -------
    DataFrame
        One row a program, segment and local day: ``splicer``, ``program``, ``segment`` (count of
        restarting service events before the day's first splice), ``day``, ``site``, ``n``,
        ``total`` (sum of dB), ``capped`` (sum of capped dB), ``capped_squares``, ``cap`` (dB).
    """
    work = production(splices)
    if work.empty:
        return pd.DataFrame(columns=DAY_COLUMNS)
    frame = pd.DataFrame(
        {
            "splicer": work["splicer"],
            "program": work["program"].fillna(NO_PROGRAM),
            "day": workdays(work, crew, "spliced_at"),
            "at": work["spliced_at"],
            "site": sites_of(work, crew),
            "loss": work["loss_db"].astype(float),
        }
    )
    frame["segment"] = _segments(frame, service)
    caps = _caps(frame)
    cap = frame.merge(caps.rename("cap"), left_on=UNIT, right_index=True, how="left")["cap"]
    frame["cap"] = cap
    frame["capped"] = np.minimum(frame["loss"], cap)
    frame["squares"] = frame["capped"] ** 2
    days = (
        frame.groupby([*UNIT, "day"], sort=True)
        .agg(
            splicer=("splicer", "first"),
            site=("site", "last"),
            n=("loss", "size"),
            total=("loss", "sum"),
            capped=("capped", "sum"),
            capped_squares=("squares", "sum"),
            cap=("cap", "first"),
        )
        .reset_index()
    )
    return days[DAY_COLUMNS]


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


def _segments(frame: pd.DataFrame, service: pd.DataFrame) -> pd.Series:
    """Segment of each splice: restarting services before the first splice of its day."""
    restarts = service.loc[service["action"].isin(RESTART_ACTIONS), "serviced_at"]
    first = frame.groupby("day")["at"].transform("min")
    stamps = np.sort(restarts.astype("int64").to_numpy())
    counts = np.searchsorted(stamps, first.astype("int64").to_numpy(), side="right")
    return pd.Series(counts, index=frame.index)


def _caps(frame: pd.DataFrame) -> pd.Series:
    """Cap of each unit in dB from its calibration days: 3.5 x the winsorized mean, iterated."""
    ordinal = frame.groupby(UNIT)["day"].rank(method="dense")
    early = frame[ordinal <= CALIBRATION_DAYS]
    unit = early.groupby(UNIT, sort=True).ngroup().to_numpy()
    keys = early.groupby(UNIT, sort=True).size().index
    loss = early["loss"].to_numpy()
    n = np.bincount(unit)
    cap = np.full(len(n), np.inf)
    for _ in range(30):  # contracts quickly; 30 rounds settle far below the 0.01 dB resolution
        mean = np.bincount(unit, np.minimum(loss, cap[unit])) / n
        new = np.maximum(CAP_MULTIPLE * mean, CAP_FLOOR_DB)
        if np.allclose(new, cap, rtol=1e-9, atol=0):
            break
        cap = new
    return pd.Series(cap, index=keys)
