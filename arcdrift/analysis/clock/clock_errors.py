"""Find stretches in which a splicer's clock was wrong: start, end, and offset in hours.

`arcdrift.analysis.clock.offset_path` estimates the offset of each block of work. A stretch is only
reported with evidence beyond unusual working hours: time that goes back against the counts, a time
in the future, a time before the crew's first day, or a jump of whole hours within a workday.

Not found, because a shift at other hours leaves the same log: a clock that was set wrong and set
right again while nobody worked, by up to half a day either way; and a clock that was set exactly
one hour fast during work (which looks like an hour's break) and right again overnight. Arc checks
do not help, because they carry the same clock's time. In 20 simulated splicer-histories of 120
days with ten wrong days, the number found by when the clock was set wrong and right, with the
correct offset:

==========  ==============  ============================  ===========================
hours fast  overnight both  in work, right overnight      in work, right in work
==========  ==============  ============================  ===========================
         1  0 of 20         0 of 20                       14 of 20
         2  0 of 20         11 of 20                      18 of 20
         3  0 of 20         16 of 20                      18 of 20
        -2  0 of 20         19 of 20                      20 of 20
         7  0 of 20         19 of 20                      20 of 20
==========  ==============  ============================  ===========================

A clock that did not follow summer time, which changes overnight, is among those not found; if it
is known, enter it with ``arcdrift clock SPLICER --shift``.
"""

from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.clock.count_order import OrderedSplices, true_order
from arcdrift.analysis.clock.offset_path import (
    HOUR,
    REACH_H,
    STEP_BACK,
    Blocks,
    cheapest_offsets,
    offset_cost,
    possible_offsets,
    wait_cost,
    work_blocks,
)
from arcdrift.arrays import Ints
from arcdrift.clock_bounds import MAX_AHEAD, ClockBounds
from arcdrift.times import local_day

MIN_SPLICES = 5
"""Fewer splices with a wrong time are errors of the log, not of the clock."""
_CHECK_BEFORE = pd.Timedelta(minutes=90)
"""A check this long before the first wrong splice belongs to the stretch."""
_MIN_LEAD = 4.0
"""Least difference in cost between the best offset and the next, for the offset to be reported."""
_HABIT_DAYS = 5
"""Days with a right clock required before an offset is reported."""
# a jump within a workday is evidence if the run has at least this many days, the jump at least
# this many hours, and the corrected pause at most this many microseconds and counts
_JUMP_DAYS = 3
_JUMP_H = 2
_JUMP_PAUSE = 80 * 60_000_000
_JUMP_COUNTS = 6.0


@dataclass(frozen=True)
class WrongStretch:
    """A stretch of one splicer's records with a wrong clock.

    Attributes
    ----------
    bounds : ClockBounds
        Bounds of the stretch, as logged times and counts.
    shift_h : int or None
        Whole hours to add; None if it is not clear how many.
    since, until : Timestamp
        First and last record in true time (UTC); without a shift, the right records around them.
    before : Timestamp or None
        Last right record before, and so the earliest time of the fault.
    splices, checks : int
        Number of records in the stretch.
    days : int
        Number of local days with these records; without a shift, of the possible days.
    span : tuple of Timestamp
        First and last of those days, as naive midnights.
    ongoing : bool
        Whether no right record followed.
    """

    bounds: ClockBounds
    shift_h: int | None
    since: pd.Timestamp
    until: pd.Timestamp
    before: pd.Timestamp | None
    splices: int
    checks: int
    days: int
    span: tuple[pd.Timestamp, pd.Timestamp]
    ongoing: bool


@dataclass(frozen=True)
class ClockErrors:
    """Errors found in one splicer's clock.

    Attributes
    ----------
    stretches : tuple of WrongStretch
        In true order.
    unusable_reason : str or None
        Why its counts could not be used; then only times in the future and before the crew's
        first day were searched.
    """

    stretches: tuple[WrongStretch, ...]
    unusable_reason: str | None = None

    def holds_day(self, day: pd.Series) -> pd.Series:
        """Whether each local day (naive midnight) lies in a stretch, in true time."""
        out = pd.Series(data=False, index=day.index)
        for stretch in self.stretches:
            out |= day.between(*stretch.span)
        return out

    def contains(self, records: pd.DataFrame, when: str) -> npt.NDArray[np.bool_]:
        """Whether each record lies in a stretch, shape (n,)."""
        out = np.zeros(len(records), np.bool_)
        for stretch in self.stretches:
            out |= stretch.bounds.contains(records, when)
        return out


def find_clock_errors(
    splicer: str,
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    zone: str,
    now: pd.Timestamp,
    began: pd.Timestamp | None = None,
    right: tuple[ClockBounds, ...] = (),
    day_offset: timedelta = timedelta(0),
) -> ClockErrors:
    """Find the stretches in which a splicer's clock was wrong.

    Parameters
    ----------
    splices : DataFrame
        Its splices: ``id``, ``import_id``, ``spliced_at`` (UTC), ``arc_count``, and
        ``splice_number`` where it is logged.
    checks : DataFrame
        Its arc checks: ``checked_at`` (UTC), ``arc_count``.
    zone : str
        IANA zone of the splicer's working hours.
    now : Timestamp
        UTC; later times are wrong.
    began : Timestamp, optional
        Earlier times are wrong (`crew_start`).
    right : tuple of ClockBounds
        Stretches in which a person has confirmed that the clock was right.
    day_offset : timedelta
        Time after local midnight at which a workday starts.
    """
    records = _Records(splicer, splices, checks, zone, day_offset, now, began)
    order = true_order(splices)
    if isinstance(order, str):
        return ClockErrors(_drop_confirmed_right(_without_counts(records), records, right), order)
    blocks = work_blocks(order, zone)
    path = cheapest_offsets(blocks, possible_offsets(blocks, now, began), now, began)
    if path is None:
        return ClockErrors(())
    stretches = (_stretch(records, order, blocks, path, first, last) for first, last in _runs(path))
    found = tuple(stretch for stretch in stretches if stretch is not None)
    return ClockErrors(_drop_confirmed_right(found, records, right))


@dataclass(frozen=True)
class _Records:
    """Records and settings that one splicer's clock is examined with."""

    splicer: str
    splices: pd.DataFrame
    checks: pd.DataFrame
    zone: str
    day_offset: timedelta
    now: pd.Timestamp
    began: pd.Timestamp | None

    def days(self, times: pd.Series) -> pd.Series:
        return local_day(times, self.zone, self.day_offset)

    def count_within(self, bounds: ClockBounds) -> tuple[int, int]:
        """Number of splices and of checks within a stretch."""
        return (
            int(bounds.contains(self.splices, "spliced_at").sum()),
            int(bounds.contains(self.checks, "checked_at").sum()),
        )


def crew_start(records: pd.DataFrame, when: str) -> pd.Timestamp | None:
    """Start of the crew's first day on record (UTC).

    Times of one splicer alone that are followed by three years without any record are ignored: a
    clock that lost power restarts at an old date.

    Parameters
    ----------
    records : DataFrame
        ``splicer`` and the time column `when`, all splicers.
    """
    if records.empty:
        return None
    days = pd.DataFrame(
        {"day": records[when].dt.floor("D"), "splicer": records["splicer"]}
    ).drop_duplicates()
    by_day = days.groupby("day")["splicer"].agg(["min", "nunique"]).sort_index()
    gap = by_day.index.to_series().diff() > pd.Timedelta(days=3 * 365)
    start = by_day.index[0]
    for later in by_day.index[gap.to_numpy()]:
        early = days.loc[days["day"] < later, "splicer"]
        if len(early.unique()) > 1 or len(early) > len(days) / 10:
            break
        start = later
    return pd.Timestamp(start)


def _runs(path: Ints) -> list[tuple[int, int]]:
    """First and last block of each run with an offset."""
    has_offset = np.r_[False, path != 0, False].astype(np.int8)
    edge = np.diff(has_offset)
    return list(
        zip(
            np.flatnonzero(edge == 1).tolist(), (np.flatnonzero(edge == -1) - 1).tolist(),
            strict=True,
        )
    )  # fmt: skip


def _stretch(
    records: _Records, order: OrderedSplices, blocks: Blocks, path: Ints, first: int, last: int
) -> WrongStretch | None:
    """Stretch from a run of blocks with an offset; None without evidence beyond unusual hours."""
    first_row, end_row = int(blocks.start[first]), int(blocks.start[last + 1])
    if end_row - first_row < MIN_SPLICES or not _has_evidence(
        records, order, blocks, path, first, last
    ):
        return None
    shift_h = _offset_hours(records, blocks, path, first, last)
    times = order.time[first_row:end_row]
    before = _timestamp(order.time[first_row - 1]) if first_row else None
    after = _timestamp(order.time[end_row]) if end_row < len(order.time) else None
    since, until = _timestamp(order.time[first_row]), _timestamp(order.time[end_row - 1])
    if shift_h is None:
        since, until = before or since, after or records.now
    else:
        since, until = since + pd.Timedelta(hours=shift_h), until + pd.Timedelta(hours=shift_h)
    until = max(since, min(until, records.now))
    days_span = records.days(pd.Series([since, until]))
    days = int((days_span.iloc[1] - days_span.iloc[0]).days) + 1
    if shift_h is not None:
        stamps = pd.Series(
            pd.DatetimeIndex((times + shift_h * HOUR).astype("datetime64[us]"), tz="UTC")
        )
        days = records.days(stamps).nunique()
    bounds = ClockBounds(records.splicer, _timestamp(times.min()), _timestamp(times.max() + 1))
    bounds = _with_counts(bounds, records, order, first_row, end_row)
    splices, checks = records.count_within(bounds)
    return WrongStretch(
        bounds=bounds,
        shift_h=shift_h,
        since=since,
        until=until,
        before=before,
        splices=splices,
        checks=checks,
        days=days,
        span=(days_span.iloc[0], days_span.iloc[1]),
        ongoing=after is None,
    )


def _has_evidence(
    records: _Records, order: OrderedSplices, blocks: Blocks, path: Ints, first: int, last: int
) -> bool:
    """Whether there is evidence for a run beyond unusual working hours."""
    now, began = records.now, records.began
    if blocks.last[first : last + 1].max() > (now + MAX_AHEAD).value // 1000:
        return True
    if began is not None and blocks.first[first : last + 1].min() < began.value // 1000:
        return True
    days = len(np.unique(blocks.day[first : last + 1]))
    for edge in (first, last + 1):
        if not 0 < edge < len(path):
            continue
        gap = blocks.first[edge] - blocks.last[edge - 1]
        if gap < -STEP_BACK:
            return True
        change = path[edge] - path[edge - 1]
        pause = gap + change * HOUR
        row = blocks.start[edge]
        few_counts = 0 <= order.count[row] - order.count[row - 1] <= _JUMP_COUNTS
        if (
            abs(change) >= _JUMP_H
            and 0 <= pause <= _JUMP_PAUSE
            and few_counts
            and days >= _JUMP_DAYS
        ):  # fmt: skip
            return True
    return False


def _offset_hours(
    records: _Records, blocks: Blocks, path: Ints, first: int, last: int
) -> int | None:
    """Offset of a run in hours; None if another number of hours costs nearly the same."""
    hours, size = path[first : last + 1], blocks.size[first : last + 1]
    values = np.unique(hours)
    best = int(values[np.argmax([size[hours == value].sum() for value in values])])
    right = path == 0
    if len(np.unique(blocks.day[right])) < _HABIT_DAYS:
        return None
    choices = best + np.arange(-REACH_H, REACH_H + 1)
    choices = choices[choices != 0]
    cost = offset_cost(blocks, choices, right, records.now, records.began)[first : last + 1].sum(
        axis=0
    )
    for edge, sign in ((first, 1), (last + 1, -1)):
        if 0 < edge < len(path):
            gap = blocks.first[edge] - blocks.last[edge - 1]
            cost = cost + wait_cost(gap + sign * choices * float(HOUR))
    ranked = np.partition(cost, 1)
    return int(choices[cost.argmin()]) if ranked[1] - ranked[0] >= _MIN_LEAD else None


def _with_counts(
    bounds: ClockBounds, records: _Records, order: OrderedSplices, first_row: int, end_row: int
) -> ClockBounds:
    """Add to bounds the counts at the start and end, and the check just before the stretch."""
    splices, checks = records.splices, records.checks
    for column, kind in (("splice_number", "number"), ("arc_count", "arc")):
        if column not in splices:
            continue
        count = splices[column].to_numpy(np.float64, na_value=np.nan)[order.rows]
        counts = count[first_row : end_row + 1]
        if np.isnan(count[first_row]) or (np.diff(counts) < 0).sum() > 1:
            continue
        end_count = (
            None if end_row >= len(count) or np.isnan(count[end_row]) else float(count[end_row])
        )
        first_count = float(count[first_row])
        if kind == "number":
            bounds = replace(bounds, first_number=first_count, end_number=end_count)
            continue
        bounds = replace(bounds, first_arc=first_count, end_arc=end_count)
        if first_row and not np.isnan(count[first_row - 1]):
            first_time = _timestamp(order.time[first_row])
            check_count = checks["arc_count"]
            previous_count = (
                count[first_row - 1] if count[first_row - 1] < count[first_row] else -1.0
            )
            checked_at = checks["checked_at"]
            included = (
                (check_count > previous_count)
                & (check_count <= count[first_row])
                & (checked_at <= first_time)
            )
            included &= checked_at >= first_time - _CHECK_BEFORE
            if included.any():
                bounds = replace(
                    bounds,
                    first_arc=float(check_count[included].min()),
                    starts_at=min(bounds.starts_at, checked_at[included].min()),
                )
    return bounds


def _without_counts(records: _Records) -> tuple[WrongStretch, ...]:
    """Stretches found without an order: times in the future, and before the crew's first day."""
    times = pd.concat([records.splices["spliced_at"], records.checks["checked_at"]])
    now, began = records.now, records.began
    found = []
    for wrong in (times > now + MAX_AHEAD, times < began if began is not None else times != times):
        if wrong.sum() < MIN_SPLICES:
            continue
        first, last = times[wrong].min(), times[wrong].max()
        bounds = ClockBounds(records.splicer, first, last + pd.Timedelta(microseconds=1))
        splices, checks = records.count_within(bounds)
        # the true days are not known, so no calendar day counts as one of them
        no_days = (pd.Timestamp(1970, 1, 1), pd.Timestamp(1970, 1, 1))
        since = min(max(first, began) if began is not None else first, now)
        found.append(
            WrongStretch(
                bounds=bounds,
                shift_h=None,
                since=since,
                until=now,
                before=None,
                splices=splices,
                checks=checks,
                days=records.days(times[wrong]).nunique(),
                span=no_days,
                ongoing=bool(first > now),
            )
        )
    return tuple(found)


def _drop_confirmed_right(
    found: tuple[WrongStretch, ...], records: _Records, right: tuple[ClockBounds, ...]
) -> tuple[WrongStretch, ...]:
    """Drop stretches of which at least half the records are confirmed as right by a person."""
    if not right:
        return found
    remaining = []
    for stretch in found:
        total = confirmed = 0
        for frame, when in ((records.splices, "spliced_at"), (records.checks, "checked_at")):
            in_stretch = stretch.bounds.contains(frame, when)
            in_confirmed = np.zeros(len(frame), np.bool_)
            for bounds in right:
                in_confirmed |= bounds.contains(frame, when)
            total, confirmed = (
                total + int(in_stretch.sum()),
                confirmed + int((in_stretch & in_confirmed).sum()),
            )
        if confirmed < total / 2:
            remaining.append(stretch)
    return tuple(remaining)


def _timestamp(microseconds: int) -> pd.Timestamp:
    return pd.Timestamp(int(microseconds), unit="us", tz="UTC")
