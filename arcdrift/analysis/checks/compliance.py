"""Share of workdays with a timely arc check, with its interval, by splicer, technician, ... ."""

from statistics import NormalDist
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.arrays import Floats
from arcdrift.charts.intervals import CONFIDENCE_LEVEL

WORKED = ("checked", "late", "failed-only", "missed")
"""Possible statuses of a finished workday with splices."""
By = Literal["splicer", "technician", "week", "site", "crew"]
FEW_DAYS = 10
"""With fewer workdays a note is added: the interval then spans half the scale and more."""
NOT_LOGGED = "(not logged)"
CREW = "whole crew"


def wilson(passed: npt.ArrayLike, days: npt.ArrayLike) -> tuple[Floats, Floats]:
    """95 % Wilson score interval of a share.

    Parameters
    ----------
    passed, days : array_like of int
        Successes and trials, same shape.

    Returns
    -------
    low, high : ndarray of float
        Shares from 0 to 1; NaN where there were no trials.

    Notes
    -----
    (p + z²/2n ± z √(p(1 - p)/n + z²/4n²)) / (1 + z²/n): E. B. Wilson, "Probable inference, the
    law of succession, and statistical inference", J. Am. Stat. Assoc. 22 (1927), 209-212. Days
    are taken as independent; if misses come in runs, the true interval is wider. Written out
    here, because loading statsmodels would double the time of ``arcdrift checks``.
    """
    x, n = np.asarray(passed, dtype=float), np.asarray(days, dtype=float)
    n = np.where(n > 0, n, np.nan)
    square = NormalDist().inv_cdf(0.5 + CONFIDENCE_LEVEL / 2) ** 2 / n
    center = (x / n + square / 2) / (1 + square)
    half = np.sqrt(square * (x / n * (1 - x / n) + square / 4)) / (1 + square)
    # at 0 and n of n the bound is 0 or 1 exactly; rounding must not step over it
    return np.clip(center - half, 0.0, 1.0), np.clip(center + half, 0.0, 1.0)


def compliance(days: pd.DataFrame, by: By = "splicer") -> pd.DataFrame:
    """Count finished workdays, and those with a check before the first splice.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_check_days`` or of `arcdrift.analysis.checks.daily_checks.daily_checks`; a
        running day and a day without work do not count.
    by : str
        ``splicer``; ``technician`` (a day counts for the one who made most of its splices and so
        depended on the arc, not for a helper who made the first one or for the one who ran the
        check); ``site`` of the day's first splice; ISO ``week`` (``2026-W09``); or ``crew``, one
        row.

    Returns
    -------
    DataFrame
        One row per value of `by`, sorted, those without a name last: ``days`` (splicer workdays),
        counts by status, ``share`` checked in time, its 95 % interval ``low``..``high``
        (`wilson`), shares from 0 to 1, and ``note``: a caution such as "only 4 days", or empty.

    Raises
    ------
    ValueError
        If `by` is none of these.
    """
    days = days.reset_index(drop=True)
    key = _group_key(days, by)
    # a day without a name still counts
    key = key.astype(object).where(key.notna(), NOT_LOGGED).rename(by)
    worked = days["status"].isin(WORKED) & days["day_over"].astype(bool)
    counts = pd.crosstab(key[worked], days.loc[worked, "status"])
    counts = counts.reindex(columns=list(WORKED), fill_value=0).astype(int)
    table = counts.rename_axis(columns=None).reset_index()
    table.insert(1, "days", counts.sum(axis=1).to_numpy())
    low, high = wilson(table["checked"], table["days"])
    table = table.assign(share=table["checked"] / table["days"], low=low, high=high)
    running = set(key[~days["day_over"].astype(bool)]) if by == "week" else set()
    table["note"] = _notes(table["days"], table[by].isin(running))
    table = table.iloc[np.argsort(table[by].eq(NOT_LOGGED).to_numpy(), kind="stable")]
    return table.reset_index(drop=True)


def _group_key(days: pd.DataFrame, by: By) -> pd.Series:
    if by == "crew":
        return pd.Series(CREW, index=days.index)
    if by == "week":
        iso = pd.to_datetime(days["day"]).dt.isocalendar()
        year, week = (iso[part].astype(str) for part in ("year", "week"))
        return year + "-W" + week.str.zfill(2)
    if by not in ("splicer", "technician", "site"):
        raise ValueError(f"compliance is not counted by {by!r}")
    return days[by]


def _notes(days: pd.Series, running: pd.Series) -> pd.Series:
    few: pd.Series = "only " + days.astype(str) + np.where(days == 1, " day", " days")
    note: pd.Series = few.where(days < FEW_DAYS, "")
    so_far = note.where(note == "", note + ", ") + "week still running"
    return so_far.where(running, note)
