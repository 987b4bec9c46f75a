"""Single splices with losses far above the others of their stream: listed, not charted.

A chart of single losses alarms several times too often, because losses are skewed, rounded and
contain outliers; days are charted instead. Here each splice is compared with the limit that about
one good splice in 10,000 exceeds, fitted on earlier days of the same stream segment. Outliers do
not count toward the false-alarm budget.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import (
    as_text,
    category_to_text,
    fill_missing_text,
    group_index,
)
from arcdrift.analysis.loss.stream_days import NO_PROGRAM, service_counts
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.gamma_limit import GammaLimits, gamma_limits, histogram_bins

STAGES = (100, 300, 1000)
"""Numbers of splices at which a limit is fitted; the last fit stays for the whole segment."""
STEP_DB = 0.01
"""Rounding step of splicers; finer logs are rounded to it, which hardly changes the limit."""
MEANING = (
    "A splice is far out when its loss is above the limit that about one good splice in 10,000 of "
    "the same splicer and program exceeds, as learned from earlier days."
)

_STAGES = np.array(STAGES)
OUTLIER_COLUMNS = [
    "splice_id", "splicer", "program", "technician", "day", "spliced_at", "loss_db", "limit_db",
    "location",
]  # fmt: skip
COPIED = ["id", "splicer", "technician", "spliced_at", "location"]
LIMIT_COLUMNS = [
    "splicer", "program", "limit_db", "splices", "last_day", "judged", "exceptions", "refusal",
]  # fmt: skip


@dataclass(frozen=True)
class OutlierSplices:
    """Splices above their limit, and the limits of the streams.

    Attributes
    ----------
    exceptions : DataFrame
        Splices above their limit: ``splice_id``, ``splicer``, ``program``, ``technician``, ``day``,
        ``spliced_at`` (UTC), ``loss_db``, ``limit_db``, ``location`` (missing where not logged).
    limits : DataFrame
        One row per stream, for its present segment: ``limit_db`` for the next day (NaN where
        there is none), ``splices`` it was fitted on, ``last_day`` of these, ``judged`` and
        ``exceptions`` (numbers of judged splices and outliers, all segments), ``refusal`` (why
        there is no limit; None where there is one).
    """

    outliers: pd.DataFrame
    limits: pd.DataFrame


def find_outlier_splices(
    work: pd.DataFrame, day: pd.Series, service: pd.DataFrame
) -> OutlierSplices:
    """Compare each splice with a limit fitted on earlier days of its stream segment.

    Parameters
    ----------
    work : DataFrame
        Splices from `arcdrift.analysis.loss.stream_days.production_splices`; ``loss_below_db``, the
        limit that a loss is only known to be below, may be absent.
    day : Series
        Their local workdays.
    service : DataFrame
        Service events.
    """
    if work.empty:
        return OutlierSplices(
            pd.DataFrame(columns=OUTLIER_COLUMNS), pd.DataFrame(columns=LIMIT_COLUMNS)
        )
    program = fill_missing_text(work["program"], NO_PROGRAM)
    stream, first_splice = group_index(work["splicer"], program)
    splicers, names = (
        as_text(values.iloc[first_splice]).to_numpy(dtype=object)
        for values in (work["splicer"], program)
    )
    days = day.to_numpy()
    segment = service_counts(work["splicer"], days, work["spliced_at"], service).sum(axis=0)
    cell, first = group_index(stream, segment, days)
    unit, _ = group_index(stream[first], segment[first])
    starts = np.flatnonzero(np.diff(unit, prepend=-1))
    n = np.bincount(cell)
    upto = np.cumsum(n)
    upto -= (upto - n)[starts][unit]  # splices of the segment up to the end of each day
    before, after = (np.searchsorted(_STAGES, count, side="right") for count in (upto - n, upto))
    fitted_at = _fit_days(unit, after)
    loss = work["loss_db"].to_numpy(dtype=np.float64)
    below = np.full(len(loss), np.nan)
    if "loss_below_db" in work:
        below = work["loss_below_db"].to_numpy(dtype=np.float64)
    fits = _fitted_limits(loss, below, cell, unit, fitted_at)
    table = np.full((len(starts), len(STAGES) + 1), np.nan)  # first column: no limit yet
    table[:, 1:][fitted_at >= 0] = fits.limit
    ends = np.r_[starts[1:], len(unit)] - 1
    segment_stream = stream[first][starts]
    # until a segment has a limit of its own, the last one before it in the stream judges
    final = pd.Series(table[np.arange(len(starts)), after[ends]]).groupby(segment_stream)
    table[:, 0] = final.ffill().groupby(segment_stream).shift().to_numpy()
    limit = table[unit, before][cell]
    outlying = loss > limit + 1e-9
    rows = category_to_text(work[COPIED].iloc[np.flatnonzero(outlying)])
    outliers = pd.DataFrame(
        {
            **{name: rows[name].array for name in COPIED},
            "program": names[stream[outlying]],
            "day": days[outlying],
            "loss_db": loss[outlying],
            "limit_db": limit[outlying],
        }
    )

    refusal = np.empty(table.shape, dtype=object)
    refusal[:, 0] = [
        None if carried else f"Only {count:,} so far; a limit needs {STAGES[0]}."
        for count, carried in zip(upto[ends], ~np.isnan(table[:, 0]), strict=True)
    ]
    refusal[:, 1:][fitted_at >= 0] = [sentence or None for sentence in fits.refusals]
    now = (np.arange(len(starts)), after[ends])
    last = np.column_stack([ends, fitted_at])[now]
    counts = {"judged": ~np.isnan(limit), "exceptions": outlying}
    limits = pd.DataFrame(
        {
            "splicer": splicers[segment_stream],
            "program": names[segment_stream],
            "limit_db": table[now],
            "splices": upto[last],
            "last_day": days[first][last],
            **{
                name: np.bincount(stream[rows], minlength=len(names))[segment_stream]
                for name, rows in counts.items()
            },
            "refusal": refusal[now],
        }
    )
    present = limits[np.diff(segment_stream, append=-1) != 0].reset_index(drop=True)
    return OutlierSplices(outliers.rename(columns={"id": "splice_id"})[OUTLIER_COLUMNS], present)


def _fit_days(unit: Ints, after: Ints) -> Ints:
    """First stream day at whose end each segment had the splices of each stage; -1: none.

    Returns
    -------
    array of shape (segments, stages)
    """
    out = np.full((int(unit[-1]) + 1, len(STAGES)), -1)
    for stage in range(len(STAGES)):
        rows = np.flatnonzero(after > stage)[::-1]
        out[unit[rows], stage] = rows  # the earliest is written last
    return out


def _fitted_limits(
    loss: Floats, below: Floats, cell: Ints, unit: Ints, fitted_at: Ints
) -> GammaLimits:
    """Limits, each fitted on the losses before it; `below` is NaN where a loss is a number."""
    bins = histogram_bins(STEP_DB)
    step = np.minimum(np.rint(loss / STEP_DB).astype(np.int64), bins - 1)
    censored = ~np.isnan(below)
    if not censored.any():
        return gamma_limits(_histograms(step, bins, cell, unit, fitted_at), step=STEP_DB)
    known, limit = ~censored, np.unique(below[censored])
    place = np.searchsorted(limit, below[censored])
    return gamma_limits(
        _histograms(step[known], bins, cell[known], unit, fitted_at),
        step=STEP_DB,
        below=limit,
        below_counts=_histograms(place, len(limit), cell[censored], unit, fitted_at),
    )


def _histograms(step: Ints, bins: int, cell: Ints, unit: Ints, fitted_at: Ints) -> Floats:
    """Counts by bin of the losses each limit is fitted on, shape (limits, bins)."""
    size = fitted_at.shape[0] * bins
    splice_unit = unit[cell]
    counts = np.stack(
        [
            np.bincount(
                (splice_unit * bins + step)[cell <= last[splice_unit]], minlength=size
            ).reshape(-1, bins)
            for last in fitted_at.T
        ],
        axis=1,
    )
    return np.asarray(counts[fitted_at >= 0], dtype=np.float64)
