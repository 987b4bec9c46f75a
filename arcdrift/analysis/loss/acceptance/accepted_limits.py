"""Loss compared with the accepted limits: mean of a stream's recent days, and single splices.

The limits are set by the crew (crew.toml, ``[acceptance]``), not learned; a stream can be in
control and still over them. These findings do not count toward the false-alarm budget.
"""

from typing import Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from scipy.special import stdtrit

from arcdrift.analysis.common.days import record_sites
from arcdrift.analysis.common.grouping import (
    category_to_text,
    fill_missing_text,
    group_index,
    match_rows,
)
from arcdrift.analysis.common.places import ONE_PLACE, TOLERANCE_DB
from arcdrift.analysis.loss.stream_days import NO_PROGRAM
from arcdrift.arrays import Floats
from arcdrift.charts.intervals import CONFIDENCE_LEVEL
from arcdrift.settings import AcceptanceRule, Crew

WINDOW_DAYS = 10
"""Latest workdays in the mean of a stream."""
FEWEST_DAYS = 5
"""Workdays needed for an interval of that mean."""
DAY_COLUMNS = ["splicer", "program", "segment", "day", "site", "n", "total", "allowed_db"]
COPIED = ["id", "splicer", "program", "spliced_at", "site", "loss_db", "location", "outcome"]
OVER_COLUMNS = [
    "id", "splicer", "program", "day", "spliced_at", "site", "loss_db", "limit_db", "location",
    "outcome",
]  # fmt: skip
AcceptedLoss = Literal["average_db", "single_db"]
PLACE_COLUMNS = ["id", "splicer", "location", "spliced_at"]
PLACE_KEYS = ["splicer", "location"]
"""What a place to revisit is: a location at which a splicer worked."""


def accepted_days(
    work: pd.DataFrame, day: pd.Series, days: pd.DataFrame, crew: Crew
) -> pd.DataFrame:
    """Stream days with the mean accepted loss of their splices.

    Parameters
    ----------
    work : DataFrame
        Production splices (`arcdrift.analysis.loss.stream_days.production_splices`).
    day : Series
        Their local workdays.
    days : DataFrame
        From `arcdrift.analysis.loss.stream_days.sum_stream_days`, of the same splices.

    Returns
    -------
    DataFrame
        ``splicer``, ``program``, ``segment``, ``day``, ``site``, ``n``, ``total`` (dB),
        ``allowed_db`` (mean of its splices' limits; fibers may differ within a day).
    """
    table = days.reindex(columns=DAY_COLUMNS)
    if work.empty:
        return table
    limit = splice_limits(work, crew, "average_db")
    if np.ptp(limit) == 0:
        return table.assign(allowed_db=limit[0])
    # each day is in one segment, so these cells are in the order of the stream days
    cell, _ = group_index(work["splicer"], fill_missing_text(work["program"], NO_PROGRAM), day)
    return table.assign(allowed_db=np.bincount(cell, limit) / np.bincount(cell))


def smallest_limit(crew: Crew) -> float:
    """Smallest limit for a single splice (dB), whatever its program and fibers."""
    rules = crew.acceptance.overrides
    special = [rule.single_db for rule in rules if rule.single_db is not None]
    return min([crew.acceptance.single_db, *special]) + TOLERANCE_DB


def splices_over_limit(work: pd.DataFrame, day: pd.Series, crew: Crew) -> pd.DataFrame:
    """Splices over the limit for single splices, also those made again later.

    Parameters
    ----------
    work, day
        As for `accepted_days`; with ``location`` and ``outcome``.

    Returns
    -------
    DataFrame
        ``id``, ``splicer``, ``program``, ``day``, ``spliced_at``, ``site``, ``loss_db``,
        ``limit_db``, ``location``, ``outcome``.
    """
    limit = splice_limits(work, crew, "single_db")
    over = np.flatnonzero(work["loss_db"].to_numpy(dtype=np.float64) > limit + TOLERANCE_DB)
    rows = category_to_text(work[COPIED].iloc[over])
    if rows.empty:
        return rows.reindex(columns=OVER_COLUMNS)
    rows = rows.assign(
        program=rows["program"].fillna(NO_PROGRAM),
        day=day.iloc[over],
        limit_db=limit[over],
        site=record_sites(rows, crew),
    )
    return rows.sort_values(["splicer", "spliced_at", "id"], ignore_index=True)[OVER_COLUMNS]


def splices_at_places(work: pd.DataFrame, places: pd.DataFrame) -> pd.DataFrame:
    """Splices at any of some places: `PLACE_COLUMNS`, in order of time.

    Parameters
    ----------
    places : DataFrame
        `PLACE_KEYS`; rows without a location are no place.
    """
    places = places[places["location"].notna()]
    # by Arrow itself, which is several times faster than through pandas
    known = pa.array(places["location"].unique())
    is_there = pc.is_in(pa.array(work["location"]), value_set=known)
    chosen = np.flatnonzero(is_there.to_numpy(zero_copy_only=False))
    # a location may be another splicer's place
    chosen = chosen[match_rows(work[PLACE_KEYS].iloc[chosen], places, PLACE_KEYS) >= 0]
    there = category_to_text(work[PLACE_COLUMNS].iloc[chosen])
    return there.sort_values(["spliced_at", "id"], ignore_index=True)


def splices_to_revisit(over: pd.DataFrame, there: pd.DataFrame) -> pd.DataFrame:
    """Splices over the limit, with what the log shows of whether they were made again.

    Parameters
    ----------
    over : DataFrame
        From `splices_over_limit`.
    there : DataFrame
        All production splices with a loss at their places (`splices_at_places`).

    Returns
    -------
    DataFrame
        The same columns but ``outcome``, and ``told`` (False where the log does not show whether
        it was redone: no location, or one that many splices share), ``made_again``, and
        ``made_again_at`` (UTC; NaT where only the log's own word for a redo says so).

    Notes
    -----
    Where a splice has a location of its own, it counts as redone if the splicer made a later one
    there; otherwise, if the log marks it as a redo. A later one over the limit is on the list
    itself.
    """
    there = there.sort_values(["spliced_at", "id"]).set_index("id")
    places = there.groupby(["splicer", "location"])["spliced_at"]
    shared = places.transform("size") >= ONE_PLACE
    following = places.shift(-1)
    splice = over["id"].to_numpy()
    told = over["location"].notna() & ~shared.reindex(splice, fill_value=True).to_numpy()
    again_at = following.reindex(splice).where(told.to_numpy()).array
    redone = np.where(told, pd.notna(again_at), (over["outcome"] == "redo").fillna(False))
    return over.drop(columns="outcome").assign(
        told=told, made_again=redone.astype(bool), made_again_at=again_at
    )


def without_redone(revisit: pd.DataFrame) -> pd.DataFrame:
    """Splices to revisit that were not made again as far as known."""
    open_rows = revisit[~revisit["made_again"].astype(bool)]
    return open_rows.drop(columns=["made_again", "made_again_at"]).reset_index(drop=True)


def splice_limits(work: pd.DataFrame, crew: Crew, which: AcceptedLoss) -> Floats:
    """Limit of each splice in dB, from the most specific rule that applies."""
    limits = np.full(len(work), float(getattr(crew.acceptance, which)))
    for rule in sorted(crew.acceptance.overrides, key=_specificity):
        value = getattr(rule, which)
        if value is None:
            continue
        fits = np.ones(len(work), dtype=bool)
        if rule.program is not None:
            fits &= (work["program"] == rule.program).fillna(False).to_numpy(dtype=bool)
        if rule.fibers is not None:
            first, second = rule.fibers
            a, b = work["fiber_a"], work["fiber_b"]
            pair = ((a == first) & (b == second)) | ((a == second) & (b == first))
            fits &= pair.fillna(False).to_numpy(dtype=bool)
        limits[fits] = value
    return limits


def _specificity(rule: AcceptanceRule) -> int:
    """Sort key: a rule for fibers and program above one for fibers, above one for a program."""
    return 2 * (rule.fibers is not None) + (rule.program is not None)


def recent_means(days: pd.DataFrame) -> pd.DataFrame:
    """Mean loss of each stream's latest workdays, for every day.

    Parameters
    ----------
    days : DataFrame
        From `accepted_days`, any number of streams.

    Returns
    -------
    DataFrame
        In order of stream and day, plus ``window_days`` (at most 10, of the same segment),
        ``splices``, ``mean_db``, ``low_db``, ``high_db``, ``limit_db`` and ``over``: the whole
        interval lies above the limit. NaN and False under 5 days.

    Notes
    -----
    The interval treats days as the sampling units (ratio estimator, Cochran 1977, Sampling
    Techniques, section 6.3, from memory): with m the mean excess over the limit, e_d and n_d a
    day's excess and splices, D days, the variance of m is D/(D-1) sum (e_d - m n_d)^2 / (sum
    n_d)^2, with Student's t of D-1.
    """
    days = days.sort_values(["splicer", "program", "segment", "day"], ignore_index=True)
    n = days["n"].to_numpy(dtype=np.float64)
    allowed = n * days["allowed_db"].to_numpy(dtype=np.float64)
    excess = days["total"].to_numpy(dtype=np.float64) - allowed
    ordinal = days.groupby(["splicer", "program", "segment"]).cumcount().to_numpy()
    count = np.minimum(ordinal + 1, WINDOW_DAYS).astype(np.int64)
    first = np.arange(len(days)) - count + 1

    def windowed(values: Floats) -> Floats:
        cumulative = np.r_[0.0, np.cumsum(values)]
        return np.asarray(cumulative[first + count] - cumulative[first])

    splices = windowed(n)
    mean = windowed(excess) / splices
    spread = windowed(excess**2) - 2.0 * mean * windowed(excess * n) + mean**2 * windowed(n**2)
    enough = count >= FEWEST_DAYS
    degrees_of_freedom = np.maximum(count - 1, 1)
    error = np.sqrt(np.maximum(spread, 0.0) * count / degrees_of_freedom) / splices
    t = stdtrit(degrees_of_freedom, 0.5 + CONFIDENCE_LEVEL / 2.0)
    half_width = np.where(enough, t * error, np.nan)
    limit = windowed(allowed) / splices
    return days.assign(
        window_days=count,
        splices=splices.astype(np.int64),
        mean_db=limit + mean,
        low_db=limit + mean - half_width,
        high_db=limit + mean + half_width,
        limit_db=limit,
        over=mean - half_width > 0,
    )
