"""Single splices far outside what their stream does: shown as exceptions, never charted.

A level followed splice by splice alarms several times too often, since losses are skewed, dirty
and rounded; days are charted instead. What is left for the single splice is to name those that
hardly belong to the stream at all: above the limit that one good splice in 10,000 exceeds, fitted
on earlier days of the same stream segment. They count against no false-alarm budget.
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
from arcdrift.analysis.loss.stream_days import NO_PROGRAM, segments
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.gamma_limit import gamma_limits, histogram_bins

STAGES = (100, 300, 1000)
"""Splices from which a limit is fitted, and fitted anew; the last one stays for the segment."""
STEP_DB = 0.01
"""Rounding step of splicers; finer logs are rounded to it, at next to no cost to the limit."""
MEANING = (
    "A splice is far out when its loss is above the limit that about one good splice in 10,000 of "
    "the same splicer and program exceeds, as learned from earlier days."
)

_STAGES = np.array(STAGES)
EXCEPTION_COLUMNS = [
    "splice_id", "splicer", "program", "technician", "day", "spliced_at", "loss_db", "limit_db",
    "location",
]  # fmt: skip
COPIED = ["id", "splicer", "technician", "spliced_at", "location"]
LIMIT_COLUMNS = [
    "splicer", "program", "limit_db", "splices", "last_day", "judged", "exceptions", "refusal",
]  # fmt: skip


@dataclass(frozen=True)
class SingleSplices:
    """Single splices.

    Attributes
    ----------
    exceptions : DataFrame
        Splices above their limit: ``splice_id``, ``splicer``, ``program``, ``technician``, ``day``,
        ``spliced_at`` (UTC), ``loss_db``, ``limit_db``, ``location`` (missing where not logged).
    limits : DataFrame
        One row a stream, as it stands in its present segment: ``limit_db`` in force for the next
        day (NaN where there is none), ``splices`` it was learned from, ``last_day`` (of
        the days it was learned from), ``judged`` and ``exceptions`` (splices of all segments),
        ``refusal`` (why there is no limit; None where there is one).
    """

    exceptions: pd.DataFrame
    limits: pd.DataFrame


def single_splices(work: pd.DataFrame, day: pd.Series, service: pd.DataFrame) -> SingleSplices:
    """Judge each splice by the limit that earlier days of its stream segment give.

    Parameters
    ----------
    work : DataFrame
        Splices from `arcdrift.analysis.loss.stream_days.production`.
    day : Series
        Their local workdays.
    service : DataFrame
        Service events.
    """
    if work.empty:
        return SingleSplices(
            pd.DataFrame(columns=EXCEPTION_COLUMNS), pd.DataFrame(columns=LIMIT_COLUMNS)
        )
    program = fill_missing_text(work["program"], NO_PROGRAM)
    stream, one = group_index(work["splicer"], program)
    splicers, names = (
        as_text(values.iloc[one]).to_numpy(dtype=object) for values in (work["splicer"], program)
    )
    days = day.to_numpy()
    segment = segments(work["splicer"], days, work["spliced_at"], service)
    cell, first = group_index(stream, segment, days)
    unit, _ = group_index(stream[first], segment[first])
    starts = np.flatnonzero(np.diff(unit, prepend=-1))
    n = np.bincount(cell)
    upto = np.cumsum(n)
    upto -= (upto - n)[starts][unit]  # splices of the segment up to the end of each day
    before, after = (np.searchsorted(_STAGES, count, side="right") for count in (upto - n, upto))
    learned = _learned(unit, after)
    loss = work["loss_db"].to_numpy(dtype=np.float64)
    fits = gamma_limits(_histograms(loss, cell, unit, learned), step=STEP_DB)
    table = np.full((len(starts), len(STAGES) + 1), np.nan)  # the first column: nothing learned
    table[:, 1:][learned >= 0] = fits.limit
    limit = table[unit, before][cell]
    far = loss > limit + 1e-9
    at = np.flatnonzero(far)
    rows = category_to_text(work[COPIED].iloc[at])
    exceptions = pd.DataFrame(
        {
            **{name: rows[name].array for name in COPIED},
            "program": names[stream[far]],
            "day": days[far],
            "loss_db": loss[far],
            "limit_db": limit[far],
        }
    )

    ends = np.r_[starts[1:], len(unit)] - 1
    said = np.empty(table.shape, dtype=object)
    said[:, 0] = [f"Only {count:,} so far; a limit needs {STAGES[0]}." for count in upto[ends]]
    said[:, 1:][learned >= 0] = [words or None for words in fits.refusals]
    now = (np.arange(len(starts)), after[ends])
    last = np.column_stack([ends, learned])[now]
    of = stream[first][starts]
    counts = {"judged": ~np.isnan(limit), "exceptions": far}
    limits = pd.DataFrame(
        {
            "splicer": splicers[of],
            "program": names[of],
            "limit_db": table[now],
            "splices": upto[last],
            "last_day": days[first][last],
            **{
                name: np.bincount(stream[which], minlength=len(names))[of]
                for name, which in counts.items()
            },
            "refusal": said[now],
        }
    )
    present = limits[np.diff(of, append=-1) != 0].reset_index(drop=True)
    return SingleSplices(exceptions.rename(columns={"id": "splice_id"})[EXCEPTION_COLUMNS], present)


def _learned(unit: Ints, after: Ints) -> Ints:
    """Stream day at whose end each segment first had the splices of each stage; -1: never.

    Returns
    -------
    array of shape (segments, stages)
    """
    out = np.full((int(unit[-1]) + 1, len(STAGES)), -1)
    for stage in range(len(STAGES)):
        at = np.flatnonzero(after > stage)[::-1]
        out[unit[at], stage] = at  # the earliest is written last
    return out


def _histograms(loss: Floats, cell: Ints, unit: Ints, learned: Ints) -> Floats:
    """Losses that each limit is learned from, counted by 0.01 dB; one row a limit."""
    bins = histogram_bins(STEP_DB)
    step = np.minimum(np.rint(loss / STEP_DB).astype(np.int64), bins - 1)
    size = learned.shape[0] * bins
    of = unit[cell]
    counts = np.stack(
        [
            np.bincount((of * bins + step)[cell <= last[of]], minlength=size).reshape(-1, bins)
            for last in learned.T
        ],
        axis=1,
    )
    return np.asarray(counts[learned >= 0], dtype=np.float64)
