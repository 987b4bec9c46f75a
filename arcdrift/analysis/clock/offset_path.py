"""Estimate the offset of a splicer's clock in each block of work, by dynamic programming.

Work is divided into blocks at pauses. Each block may have any of a set of clock offsets, and the
path of offsets with the lowest total cost is chosen. Costs are given to hours of the day and
weekdays that are unusual for the splicer, to time that goes back against the counts, to long
waits, and above all to each change of the offset (a hidden Markov chain solved by Viterbi's
algorithm, 1967; the costs are our own, tuned on simulated crews).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.clock.count_order import STEP_BACK_S, OrderedSplices
from arcdrift.arrays import Floats, Ints
from arcdrift.clock_bounds import MAX_AHEAD

# durations in microseconds
HOUR = 3_600_000_000
_DAY = 24 * HOUR
_PAUSE = 50 * 60_000_000
"""A longer time between two splices ends a block."""
STEP_BACK = STEP_BACK_S * 1_000_000
_BINS = 96
"""Quarter hours of a day."""
_MOVED_BINS = (np.arange(_BINS)[:, None] + 4 * np.arange(24)) % _BINS
"""Quarter hour to which each one comes when it is moved by whole hours, (quarters, hours)."""
_NEAR_H = 14
"""Offsets up to this many hours are always tried."""
_LONG_H = 10.0
"""A step back in time by more hours suggests a large offset."""
REACH_H = 96
"""Hours tried around a large offset, and longest wait that still adds cost."""
_MAX_LONG_JUMPS = 4
"""Number of largest jumps from which large offsets are tried."""
_CHANGE_COST = 12.0
"""Cost of a change of the offset."""
_OFFSET_COST = 0.3
"""Cost of a block with an offset other than 0."""
_DISORDER_COST = 60.0
"""Cost of time going back between two blocks."""
_IMPOSSIBLE_COST = 400.0
"""Cost of a block in the future or before the crew's first day."""
_HABIT_WEIGHT = 5.0
"""Weight of unusual hours and weekdays, for a block of `_FULL_BLOCK` splices or more."""
_FULL_BLOCK = 20
_UNIFORM_HOURS = 0.02
"""Share of work assumed at any hour."""
_UNIFORM_DAYS = 0.15
"""Share of work assumed on any weekday."""
_MIN_GAIN = 3.0
"""Smallest gain in cost at which a block without other signs is examined."""


@dataclass(frozen=True)
class Blocks:
    """Blocks of work between pauses, in true order; times in microseconds UTC."""

    start: Ints
    """Index of the first ordered row of each block, and the number of rows; shape (blocks + 1,)."""
    first: Ints
    last: Ints
    size: Floats
    day: Ints
    """Local day, days since 1970."""
    hour_of_week: Floats
    """Local hours of the middle row since Monday 00:00."""
    ahead: Floats
    """Local time less UTC at the middle row, in hours."""
    zone: str
    bins: Floats
    """Share of each block's rows by quarter hour of the local day, shape (blocks, 96)."""


def work_blocks(order: OrderedSplices, zone: str) -> Blocks:
    """Divide ordered splices into blocks, at pauses and where time goes back."""
    time = order.time
    step = np.diff(time)
    cut = np.flatnonzero((step > _PAUSE) | (step < -STEP_BACK)) + 1
    start = np.r_[0, cut, len(time)]
    size = np.diff(start)
    number = np.repeat(np.arange(len(size)), size)
    local_time = _local_times(time, start[:-1], size, zone)
    quarter = (local_time % _DAY) // (_DAY // _BINS)
    bins = np.bincount(number * _BINS + quarter, minlength=len(size) * _BINS)
    middle_row = (start[:-1] + start[1:] - 1) // 2
    middle_time = local_time[middle_row]
    return Blocks(
        start=start,
        first=time[start[:-1]],
        last=time[start[1:] - 1],
        size=size.astype(np.float64),
        day=middle_time // _DAY,
        # 1970-01-01 was a Thursday
        hour_of_week=((middle_time + 3 * _DAY) % (7 * _DAY)) / HOUR,
        ahead=(middle_time - time[middle_row]) / HOUR,
        zone=zone,
        bins=bins.reshape(len(size), _BINS) / size[:, None],
    )


def _local_times(time: Ints, start: Ints, size: Ints, zone: str) -> Ints:
    """Local time of each row, microseconds, by the zone's offsets at both ends of its block."""
    if not len(time):
        return time
    ends = np.stack([np.minimum.reduceat(time, start), np.maximum.reduceat(time, start)])
    ahead = _to_local(ends.ravel(), zone).reshape(ends.shape) - ends
    local = time + np.repeat(ahead[0], size)
    differs = (ahead[0] != ahead[1]) | (ends[1] - ends[0] > _DAY)
    if differs.any():
        rows = np.repeat(differs, size)
        local[rows] = _to_local(time[rows], zone)
    return np.asarray(local)


def _to_local(time: Ints, zone: str) -> Ints:
    """Local time, microseconds, of instants in microseconds UTC."""
    stamps = pd.DatetimeIndex(time.astype("datetime64[us]"), tz="UTC")
    return np.asarray(stamps.tz_convert(zone).tz_localize(None).as_unit("us").asi8)


def possible_offsets(blocks: Blocks, now: pd.Timestamp, crew_start: pd.Timestamp | None) -> Ints:
    """Offsets to try, in hours to be added; 0 first, then near ones, then those of large jumps."""
    near_hours = np.arange(1, _NEAR_H + 1)
    parts = [np.zeros(1, np.int64), near_hours, -near_hours]
    gap = blocks.first[1:] - blocks.last[:-1]
    is_large = gap < -_LONG_H * HOUR
    limit = now.value // 1000 + MAX_AHEAD // pd.Timedelta(microseconds=1)
    is_large |= (blocks.last[1:] > limit) & (blocks.last[:-1] <= limit)
    if crew_start is not None:
        early = crew_start.value // 1000
        is_large |= (blocks.first[:-1] < early) & (blocks.first[1:] >= early)
    for jump in gap[is_large][np.argsort(-np.abs(gap[is_large]))][:_MAX_LONG_JUMPS]:
        shift = int(np.ceil(-jump / HOUR - 0.5)) + np.arange(REACH_H + 1)
        parts += [shift, -shift]
    out = np.concatenate(parts)
    return out[np.sort(np.unique(out, return_index=True)[1])]


def cheapest_offsets(
    blocks: Blocks, offsets: Ints, now: pd.Timestamp, crew_start: pd.Timestamp | None
) -> Ints | None:
    """Hours to add to each block, shape (blocks,); None if there is no sign of an error."""
    right = np.ones(len(blocks.size), np.bool_)
    cost = offset_cost(blocks, offsets, right, now, crew_start)
    gap = blocks.first[1:] - blocks.last[:-1]
    gain = cost[:, 0] - cost.min(axis=1) > _MIN_GAIN
    in_order = not (gap < -STEP_BACK).any() and not (gain[1:] & gain[:-1]).any()
    if in_order and not gain[-1:].any():
        return None
    path = _viterbi(cost, gap, offsets)
    for _ in range(2):
        if not path.any():
            return path
        # recompute the habit without the wrong blocks; keep only offsets near those of the path
        nearby = np.unique(path)[:, None] + np.arange(-25, 26)
        offsets = offsets[(np.abs(offsets) <= _NEAR_H) | np.isin(offsets, nearby)]
        cost = offset_cost(blocks, offsets, path == 0, now, crew_start)
        path = _viterbi(cost, gap, offsets)
    return path


def offset_cost(
    blocks: Blocks,
    offsets: Ints,
    usual: npt.NDArray[np.bool_],
    now: pd.Timestamp,
    crew_start: pd.Timestamp | None,
) -> Floats:
    """Cost of each block at each offset, shape (blocks, offsets).

    ``usual``, shape (blocks,): blocks from which the habit is computed.
    """
    if not usual.any():
        usual = np.ones(len(blocks.size), np.bool_)
    weight = np.where(usual, blocks.size, 0.0)
    hours = weight @ blocks.bins / weight.sum()
    hours = 0.5 * hours + 0.25 * (np.roll(hours, 1) + np.roll(hours, -1))
    quarter = -np.log((1 - _UNIFORM_HOURS) * hours + _UNIFORM_HOURS / _BINS)
    weekday = np.bincount((blocks.hour_of_week // 24).astype(int), weight, minlength=7)
    day = -np.log((1 - _UNIFORM_DAYS) * weekday / weekday.sum() + _UNIFORM_DAYS / 7)
    by_hour = blocks.bins @ quarter[_MOVED_BINS]
    if (np.abs(offsets) <= _NEAR_H).all():
        of_week = day[(np.arange(7 * 24)[:, None] + offsets) % (7 * 24) // 24]
        cost = by_hour[:, offsets % 24] + of_week[blocks.hour_of_week.astype(np.int64)]
    else:
        moved_hours = offsets + _utc_offset_change(blocks, offsets)
        weekday_at = ((blocks.hour_of_week[:, None] + moved_hours) % 168 // 24).astype(int)
        cost = np.take_along_axis(by_hour, moved_hours % 24, axis=1) + day[weekday_at]
    cost = cost * (_HABIT_WEIGHT * np.minimum(blocks.size / _FULL_BLOCK, 1.0))[:, None]
    cost = cost + _OFFSET_COST * (offsets != 0)
    shift = offsets * HOUR
    limit = (now + MAX_AHEAD).value // 1000
    late = np.flatnonzero(blocks.last > limit - shift.max())
    cost[late] += _IMPOSSIBLE_COST * (blocks.last[late, None] + shift > limit)
    if crew_start is not None:
        limit = crew_start.value // 1000
        early = np.flatnonzero(blocks.first < limit - shift.min())
        cost[early] += _IMPOSSIBLE_COST * (blocks.first[early, None] + shift < limit)
    return np.asarray(cost)


def _utc_offset_change(blocks: Blocks, offsets: Ints) -> Ints:
    """Change of the zone's UTC offset between logged and corrected time, hours.

    Shape (blocks, offsets); computed for large offsets only, 0 for the others.
    """
    out = np.zeros((len(blocks.size), len(offsets)), np.int64)
    large = np.abs(offsets) > _NEAR_H
    if large.any():
        time = blocks.first[:, None] + offsets[large] * HOUR
        ahead = (_to_local(time.ravel(), blocks.zone).reshape(time.shape) - time) / HOUR
        out[:, large] = np.rint(ahead - blocks.ahead[:, None]).astype(np.int64)
    return out


def _viterbi(cost: Floats, gap: Ints, offsets: Ints) -> Ints:
    """Path of offsets with the lowest total cost, shape (blocks,)."""
    # the wait between two blocks depends on the difference of their offsets only
    change, which = np.unique(offsets[None, :] - offsets[:, None], return_inverse=True)
    switch = _CHANGE_COST * (change != 0)[which]
    wait = wait_cost(gap[:, None] + change * float(HOUR))
    total = cost[0].copy()
    previous = np.zeros(cost.shape, np.int64)
    to = np.arange(len(offsets))
    for block in range(1, len(cost)):
        step = total[:, None] + switch
        step += wait[block - 1].take(which)
        previous[block] = step.argmin(axis=0)
        total = step[previous[block], to] + cost[block]
    index = int(total.argmin())
    path = np.empty(len(cost), np.int64)
    for block in range(len(cost) - 1, -1, -1):
        path[block] = offsets[index]
        index = previous[block, index]
    return path


def wait_cost(gap: Floats) -> Floats:
    """Cost of the time between two blocks (microseconds): long waits, and steps back."""
    hours = np.clip(gap / HOUR, 0.0, REACH_H)
    return np.asarray(np.minimum(hours, 4.0) + 0.1 * hours + _DISORDER_COST * (gap < -STEP_BACK))
