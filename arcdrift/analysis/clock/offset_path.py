"""The cheapest reading of a splicer's clock, block of work by block of work.

Work falls into blocks between pauses. Each block is read with every offset the clock may have
had, and the cheapest path through the blocks is taken: hours of the day and weekdays unlike the
splicer's own habit cost, so do time that goes back against the counts, long waits, and above
all each change of the clock (a hidden Markov chain solved by dynamic programming, Viterbi 1967;
the costs are our own, tuned on simulated crews).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.clock.count_order import STEP_BACK_S, Ordered
from arcdrift.arrays import Floats, Ints

AHEAD = pd.Timedelta(minutes=30)
"""How far a clock may run ahead before its time counts as one to come."""

HOUR = 3_600_000_000
_DAY = 24 * HOUR
_PAUSE = 50 * 60_000_000
BACK = STEP_BACK_S * 1_000_000
_BINS = 96
_NEAR_H = 14
_LONG_H = 10.0
REACH_H = 96
_MOST_LONG = 4
_CHANGE = 12.0
_OFF = 0.3
_DISORDER = 60.0
_IMPOSSIBLE = 400.0
_WEIGHT = 5.0
_FULL_BLOCK = 20
_FLOOR = 0.02
_ANY_DAY = 0.15
_GATE = 3.0


@dataclass(frozen=True)
class Blocks:
    """Blocks of work between pauses, in true order; times are microseconds UTC."""

    start: Ints
    """Position of the first row of each block among the ordered rows, and one past the last."""
    first: Ints
    last: Ints
    size: Floats
    day: Ints
    """Local day, days since 1970."""
    hour_of_week: Floats
    """Local hours since a Monday's midnight of the middle row."""
    ahead: Floats
    """Local time less UTC at the middle row, hours."""
    zone: str
    bins: Floats
    """Share of each block's rows by quarter hour of the local day; one row a block."""


def work_blocks(order: Ordered, zone: str) -> Blocks:
    """Cut ordered splices where work paused or time went back."""
    at = order.time
    step = np.diff(at)
    cut = np.flatnonzero((step > _PAUSE) | (step < -BACK)) + 1
    start = np.r_[0, cut, len(at)]
    size = np.diff(start)
    number = np.repeat(np.arange(len(size)), size)
    stamps = pd.DatetimeIndex(at.astype("datetime64[us]"), tz="UTC")
    wall = stamps.tz_convert(zone).tz_localize(None).as_unit("us").asi8
    quarter = (wall % _DAY) // (_DAY // _BINS)
    bins = np.bincount(number * _BINS + quarter, minlength=len(size) * _BINS)
    place = (start[:-1] + start[1:] - 1) // 2
    middle = wall[place]
    return Blocks(
        start=start,
        first=at[start[:-1]],
        last=at[start[1:] - 1],
        size=size.astype(np.float64),
        day=middle // _DAY,
        # 1970-01-01 was a Thursday
        hour_of_week=((middle + 3 * _DAY) % (7 * _DAY)) / HOUR,
        ahead=(middle - at[place]) / HOUR,
        zone=zone,
        bins=bins.reshape(len(size), _BINS) / size[:, None],
    )


def possible_offsets(blocks: Blocks, now: pd.Timestamp, began: pd.Timestamp | None) -> Ints:
    """Hours that may have to be added, 0 first: half a day either way, and what long jumps ask."""
    near = np.arange(1, _NEAR_H + 1)
    parts = [np.zeros(1, np.int64), near, -near]
    gap = blocks.first[1:] - blocks.last[:-1]
    strange = gap < -_LONG_H * HOUR
    limit = now.value // 1000 + AHEAD // pd.Timedelta(microseconds=1)
    strange |= (blocks.last[1:] > limit) & (blocks.last[:-1] <= limit)
    if began is not None:
        early = began.value // 1000
        strange |= (blocks.first[:-1] < early) & (blocks.first[1:] >= early)
    for jump in gap[strange][np.argsort(-np.abs(gap[strange]))][:_MOST_LONG]:
        shift = int(np.ceil(-jump / HOUR - 0.5)) + np.arange(REACH_H + 1)
        parts += [shift, -shift]
    out = np.concatenate(parts)
    return out[np.sort(np.unique(out, return_index=True)[1])]


def likeliest_path(
    blocks: Blocks, offsets: Ints, now: pd.Timestamp, began: pd.Timestamp | None
) -> Ints | None:
    """Hours to add to each block; None where nothing speaks against the clock."""
    usual = np.ones(len(blocks.size), np.bool_)
    cost = strangeness(blocks, offsets, usual, now, began)
    gap = blocks.first[1:] - blocks.last[:-1]
    better = cost[:, 0] - cost.min(axis=1) > _GATE
    calm = not (gap < -BACK).any() and not (better[1:] & better[:-1]).any()
    if calm and not better[-1:].any():
        return None
    path = _cheapest(cost, gap, offsets)
    for _ in range(2):
        if not path.any():
            return path
        # the habit anew, without what looks wrong; offsets far from all that was taken are out
        around = np.unique(path)[:, None] + np.arange(-25, 26)
        offsets = offsets[(np.abs(offsets) <= _NEAR_H) | np.isin(offsets, around)]
        cost = strangeness(blocks, offsets, path == 0, now, began)
        path = _cheapest(cost, gap, offsets)
    return path


def strangeness(
    blocks: Blocks,
    offsets: Ints,
    usual: npt.NDArray[np.bool_],
    now: pd.Timestamp,
    began: pd.Timestamp | None,
) -> Floats:
    """Cost of each block (rows) at each offset (columns)."""
    if not usual.any():
        usual = np.ones(len(blocks.size), np.bool_)
    weight = blocks.size[usual]
    clock = (blocks.bins[usual] * weight[:, None]).sum(axis=0) / weight.sum()
    clock = 0.5 * clock + 0.25 * (np.roll(clock, 1) + np.roll(clock, -1))
    quarter = -np.log((1 - _FLOOR) * clock + _FLOOR / _BINS)
    weekday = np.bincount((blocks.hour_of_week[usual] // 24).astype(int), weight, minlength=7)
    day = -np.log((1 - _ANY_DAY) * weekday / weekday.sum() + _ANY_DAY / 7)
    by_hour = np.stack([blocks.bins @ np.roll(quarter, -4 * h) for h in range(24)], axis=1)
    moved_h = offsets + _summer_time(blocks, offsets)
    there = ((blocks.hour_of_week[:, None] + moved_h) % 168 // 24).astype(int)
    cost = np.take_along_axis(by_hour, moved_h % 24, axis=1) + day[there]
    cost = cost * (_WEIGHT * np.minimum(blocks.size / _FULL_BLOCK, 1.0))[:, None]
    cost = cost + _OFF * (offsets != 0)
    moved = offsets * HOUR
    late = blocks.last[:, None] + moved > (now + AHEAD).value // 1000
    cost = cost + _IMPOSSIBLE * late
    if began is not None:
        cost = cost + _IMPOSSIBLE * (blocks.first[:, None] + moved < began.value // 1000)
    return np.asarray(cost)


def _summer_time(blocks: Blocks, offsets: Ints) -> Ints:
    """Hours by which local time differs from where the clock says it is; one row a block."""
    out = np.zeros((len(blocks.size), len(offsets)), np.int64)
    long = np.abs(offsets) > _NEAR_H
    if long.any():
        at = blocks.first[:, None] + offsets[long] * HOUR
        stamps = pd.DatetimeIndex(at.ravel().astype("datetime64[us]"), tz="UTC")
        wall = stamps.tz_convert(blocks.zone).tz_localize(None).as_unit("us").asi8
        ahead = (wall.reshape(at.shape) - at) / HOUR
        out[:, long] = np.rint(ahead - blocks.ahead[:, None]).astype(np.int64)
    return out


def _cheapest(cost: Floats, gap: Ints, offsets: Ints) -> Ints:
    """Cheapest path through the blocks (Viterbi)."""
    change = (offsets[None, :] - offsets[:, None]) * float(HOUR)
    switch = _CHANGE * (change != 0)
    total = cost[0].copy()
    came = np.zeros(cost.shape, np.int64)
    for block in range(1, len(cost)):
        step = total[:, None] + switch + waiting(gap[block - 1] + change)
        came[block] = step.argmin(axis=0)
        total = step[came[block], np.arange(len(offsets))] + cost[block]
    place = int(total.argmin())
    path = np.empty(len(cost), np.int64)
    for block in range(len(cost) - 1, -1, -1):
        path[block] = offsets[place]
        place = came[block, place]
    return path


def waiting(gap: Floats) -> Floats:
    """Cost of the time between two blocks, microseconds: long waits, and going back."""
    hours = np.clip(gap / HOUR, 0.0, REACH_H)
    return np.asarray(np.minimum(hours, 4.0) + 0.1 * hours + _DISORDER * (gap < -BACK))
