"""Losses of a period against the accepted ones, by splicer and program or by place."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from arcdrift.analysis.common.days import workdays
from arcdrift.analysis.common.grouping import group_index, rows_with
from arcdrift.analysis.loss.acceptance.accepted_limits import FEWEST_DAYS, splice_limits
from arcdrift.analysis.loss.stream_days import NO_PROGRAM, production_splices
from arcdrift.charts.intervals import CONFIDENCE_LEVEL
from arcdrift.settings import Crew

FIGURES = [
    "splices", "days", "mean_db", "low_db", "high_db", "accepted_db", "worst_db", "over",
    "made_again",
]  # fmt: skip
ROUNDING_DB = 1e-9
NOT_LOGGED = "not logged"


def period_losses(splices: pd.DataFrame, crew: Crew, first: str, last: str) -> pd.DataFrame:
    """Production splices with a loss on the workdays of a period, with what is accepted of each.

    Parameters
    ----------
    splices : DataFrame
        Records of splices, of the period at least.
    first, last : str
        ISO local workdays, both included.

    Returns
    -------
    DataFrame
        The same columns, texts filled where they are missing, and ``day`` (ISO), ``average_db``
        and ``single_db`` (accepted, dB), ``closure`` (the location up to its first slash),
        ``fibers`` and ``is_redo`` (whether the log says that it was made again).
    """
    work = production_splices(splices)
    if work.empty:
        columns = [*work.columns, "day", "closure", "fibers", "is_redo", "average_db", "single_db"]
        return work.reindex(columns=columns)
    day = workdays(work, crew, "spliced_at").dt.strftime("%Y-%m-%d")
    inside = ((day >= first) & (day <= last)).to_numpy(dtype=bool)
    work = work[inside].reset_index(drop=True)
    limits = {name: splice_limits(work, crew, name) for name in ("average_db", "single_db")}
    location = work["location"].astype("str").fillna("")
    ends = [work[name].astype("str").fillna(NOT_LOGGED) for name in ("fiber_a", "fiber_b")]
    rows: pd.DataFrame = work.assign(
        day=day[inside].to_numpy(),
        program=work["program"].astype("str").fillna(NO_PROGRAM),
        site=work["site"].astype("str").fillna(NOT_LOGGED),
        location=location,
        closure=location.str.replace("/.*", "", regex=True).str.strip().replace("", NOT_LOGGED),
        fibers=ends[0] + " to " + ends[1],
        is_redo=rows_with(work["outcome"], "redo"),
        **limits,
    )
    return rows


def acceptance_by(work: pd.DataFrame, keys: Sequence[str]) -> pd.DataFrame:
    """Sum losses by some columns and compare them with the accepted ones.

    Parameters
    ----------
    work : DataFrame
        From `period_losses`.
    keys : sequence of str
        Columns to sum by; none for one row over all.

    Returns
    -------
    DataFrame
        The keys, sorted, and `FIGURES`: counts of splices and days, mean loss with its 95 %
        interval (NaN under 5 days), mean accepted and highest loss (dB), ``over`` (splices over
        the limit for a single one), ``made_again``.

    Notes
    -----
    Days are the sampling units of the interval, as in
    `arcdrift.analysis.loss.acceptance.accepted_limits.recent_means`: with m the mean excess over
    the accepted loss, e_d and n_d a day's excess and splices, D days, the variance of m is
    D/(D-1) sum (e_d - m n_d)^2 / (sum n_d)^2, with Student's t of D-1 (ratio estimator, Cochran
    1977, Sampling Techniques, section 6.3, from memory).
    """
    if work.empty:
        return pd.DataFrame(columns=[*keys, *FIGURES])
    group, row = group_index(np.zeros(len(work)), *(work[key] for key in keys))
    count = len(row)
    loss, accepted = (work[name].to_numpy(dtype=np.float64) for name in ("loss_db", "average_db"))
    n = np.bincount(group, minlength=count).astype(np.float64)
    mean_accepted = np.bincount(group, accepted, count) / n
    excess = np.bincount(group, loss - accepted, count) / n
    cell, first = group_index(group, work["day"])
    of_group = group[first]
    residual = np.bincount(cell, loss - accepted) - excess[of_group] * np.bincount(cell)
    days = np.bincount(of_group, minlength=count)
    degrees_of_freedom = np.maximum(days - 1, 1)
    spread = np.bincount(of_group, residual**2, count)
    error = np.sqrt(spread * days / degrees_of_freedom) / n
    half = stdtrit(degrees_of_freedom, 0.5 + CONFIDENCE_LEVEL / 2.0) * error
    half = np.where(days >= FEWEST_DAYS, half, np.nan)
    worst = np.full(count, -np.inf)
    np.maximum.at(worst, group, loss)
    over = loss > work["single_db"].to_numpy(dtype=np.float64) + ROUNDING_DB
    figures = pd.DataFrame(
        {
            "splices": n.astype(np.int64),
            "days": days,
            "mean_db": mean_accepted + excess,
            "low_db": mean_accepted + excess - half,
            "high_db": mean_accepted + excess + half,
            "accepted_db": mean_accepted,
            "worst_db": worst,
            "over": np.bincount(group, over, count).astype(np.int64),
            "made_again": np.bincount(group, work["is_redo"], count).astype(np.int64),
        }
    )
    names = work.iloc[row][list(keys)].reset_index(drop=True)
    return pd.concat([names, figures], axis=1).sort_values(
        list(keys) or "splices", ignore_index=True
    )
