"""Stretches in which a splicer's clock was wrong: since when, until when, by how many hours.

`clock_path` reads the clock. A stretch is only told where something other than habit speaks for
it: time that goes back against the counts, a time to come, a time before the crew began, or a
jump of whole hours in the middle of a workday.

What this leaves untold, because a turn of other hours leaves the same log: a clock that was both
put wrong and put right again while nobody worked, by up to half a day either way; and a clock
that was put exactly one hour fast during work (the same as an hour's break) and right again
overnight. Arc checks cannot tell either, since the splicer's own clock stamps them too. In 20
simulated splicer-histories of 120 days with ten wrong days, the share found by when the clock was
put wrong and right, with its hours:

==========  ==============  ============================  ===========================
hours fast  overnight both  in work, right overnight      in work, right in work
==========  ==============  ============================  ===========================
         1  0 of 20         0 of 20                       14 of 20
         2  0 of 20         11 of 20                      18 of 20
         3  0 of 20         16 of 20                      18 of 20
        -2  0 of 20         19 of 20                      20 of 20
         7  0 of 20         19 of 20                      20 of 20
==========  ==============  ============================  ===========================

A clock that did not follow summer time, changed by the calendar in a night, is among the untold;
who knows of it says so with ``arcdrift clock SPLICER --shift``.
"""

from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.clock.count_order import Ordered, true_order
from arcdrift.analysis.clock.offset_path import (
    AHEAD,
    BACK,
    HOUR,
    REACH_H,
    Blocks,
    likeliest_path,
    possible_offsets,
    strangeness,
    waiting,
    work_blocks,
)
from arcdrift.arrays import Ints
from arcdrift.clock_bounds import ClockBounds
from arcdrift.times import local_day

MIN_SPLICES = 5
"""Fewer out of line are slips of a log, not a clock."""
_CHECK_BEFORE = pd.Timedelta(minutes=90)
_MARGIN = 4.0
_HABIT_DAYS = 5
_JUMP_DAYS = 3
_JUMP_H = 2
_JUMP_REST = 80 * 60_000_000
_JUMP_COUNTS = 6.0


@dataclass(frozen=True)
class Stretch:
    """Records of one splicer whose clock was wrong.

    Attributes
    ----------
    bounds : ClockBounds
        Which records: times as logged and counts.
    shift_h : int or None
        Whole hours to add; None when more than one would do.
    since, until : Timestamp
        First and last of them in true time (UTC); without a shift, the right records around.
    before : Timestamp or None
        The last right record before, and so the earliest time of the fault.
    splices, checks : int
        How many records it holds.
    days : int
        Local days on which they were made; without a shift, the days they may lie on.
    span : tuple of Timestamp
        First and last of those days, as naive midnights.
    going_on : bool
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
    going_on: bool


@dataclass(frozen=True)
class Clock:
    """What can be told about a splicer's clock.

    Attributes
    ----------
    stretches : tuple of Stretch
        In true order.
    not_told : str or None
        Why its counts could not be used; then only times to come, and times before the crew's
        first day, were looked for.
    """

    stretches: tuple[Stretch, ...]
    not_told: str | None = None

    def holds_day(self, day: pd.Series) -> pd.Series:
        """Whether each local day (naive midnight) lies within a stretch, in true time."""
        out = pd.Series(data=False, index=day.index)
        for stretch in self.stretches:
            out |= day.between(*stretch.span)
        return out

    def apart(self, records: pd.DataFrame, when: str) -> npt.NDArray[np.bool_]:
        """Whether each record lies in a wrong stretch."""
        out = np.zeros(len(records), np.bool_)
        for stretch in self.stretches:
            out |= stretch.bounds.contains(records, when)
        return out


def look_at_clock(
    splicer: str,
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    zone: str,
    now: pd.Timestamp,
    began: pd.Timestamp | None = None,
    right: tuple[ClockBounds, ...] = (),
    day_offset: timedelta = timedelta(0),
) -> Clock:
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
        UTC; nothing happened later.
    began : Timestamp, optional
        Nothing of the crew happened earlier (`crew_began`).
    right : tuple of ClockBounds
        Stretches of which somebody said that the clock was right.
    day_offset : timedelta
        How long after local midnight a workday begins.
    """
    case = _Case(splicer, splices, checks, zone, day_offset, now, began)
    order = true_order(splices)
    if isinstance(order, str):
        return Clock(_not_said_right(_without_counts(case), case, right), order)
    blocks = work_blocks(order, zone)
    path = likeliest_path(blocks, possible_offsets(blocks, now, began), now, began)
    if path is None:
        return Clock(())
    told = (_told(case, order, blocks, path, first, last) for first, last in _runs(path))
    found = tuple(stretch for stretch in told if stretch is not None)
    return Clock(_not_said_right(found, case, right))


@dataclass(frozen=True)
class _Case:
    """What a splicer's clock is judged by."""

    splicer: str
    splices: pd.DataFrame
    checks: pd.DataFrame
    zone: str
    day_offset: timedelta
    now: pd.Timestamp
    began: pd.Timestamp | None

    def days(self, at: pd.Series) -> pd.Series:
        return local_day(at, self.zone, self.day_offset)

    def held(self, bounds: ClockBounds) -> tuple[int, int]:
        """Splices and checks within a stretch."""
        return (
            int(bounds.contains(self.splices, "spliced_at").sum()),
            int(bounds.contains(self.checks, "checked_at").sum()),
        )


def crew_began(records: pd.DataFrame, when: str) -> pd.Timestamp | None:
    """Start of the crew's first day on record (UTC).

    Times that one splicer alone shows, followed by three years without any record, are not
    taken for the crew's beginning: clocks that lost their power begin some years ago.

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
    """First and last block of each run that is off."""
    off = np.r_[False, path != 0, False].astype(np.int8)
    edge = np.diff(off)
    return list(
        zip(
            np.flatnonzero(edge == 1).tolist(), (np.flatnonzero(edge == -1) - 1).tolist(),
            strict=True,
        )
    )  # fmt: skip


def _told(
    case: _Case, order: Ordered, blocks: Blocks, path: Ints, first: int, last: int
) -> Stretch | None:
    """Make a stretch of a run of blocks; None where habit alone speaks for it."""
    begin, end = int(blocks.start[first]), int(blocks.start[last + 1])
    if end - begin < MIN_SPLICES or not _sure(case, order, blocks, path, first, last):
        return None
    shift = _shift(case, blocks, path, first, last)
    at = order.time[begin:end]
    before = _instant(order.time[begin - 1]) if begin else None
    after = _instant(order.time[end]) if end < len(order.time) else None
    since, until = _instant(order.time[begin]), _instant(order.time[end - 1])
    if shift is None:
        since, until = before or since, after or case.now
    else:
        since, until = since + pd.Timedelta(hours=shift), until + pd.Timedelta(hours=shift)
    until = max(since, min(until, case.now))
    ends = case.days(pd.Series([since, until]))
    days = int((ends.iloc[1] - ends.iloc[0]).days) + 1
    if shift is not None:
        stamps = pd.Series(pd.DatetimeIndex((at + shift * HOUR).astype("datetime64[us]"), tz="UTC"))
        days = case.days(stamps).nunique()
    bounds = ClockBounds(case.splicer, _instant(at.min()), _instant(at.max() + 1))
    bounds = _counted(bounds, case, order, begin, end)
    splices, checks = case.held(bounds)
    return Stretch(
        bounds=bounds,
        shift_h=shift,
        since=since,
        until=until,
        before=before,
        splices=splices,
        checks=checks,
        days=days,
        span=(ends.iloc[0], ends.iloc[1]),
        going_on=after is None,
    )


def _sure(case: _Case, order: Ordered, blocks: Blocks, path: Ints, first: int, last: int) -> bool:
    """Whether something other than habit speaks for a run."""
    now, began = case.now, case.began
    if blocks.last[first : last + 1].max() > (now + AHEAD).value // 1000:
        return True
    if began is not None and blocks.first[first : last + 1].min() < began.value // 1000:
        return True
    days = len(np.unique(blocks.day[first : last + 1]))
    for edge in (first, last + 1):
        if not 0 < edge < len(path):
            continue
        gap = blocks.first[edge] - blocks.last[edge - 1]
        if gap < -BACK:
            return True
        change = path[edge] - path[edge - 1]
        rest = gap + change * HOUR
        place = blocks.start[edge]
        counted = 0 <= order.count[place] - order.count[place - 1] <= _JUMP_COUNTS
        if (
            abs(change) >= _JUMP_H
            and 0 <= rest <= _JUMP_REST
            and counted
            and days >= _JUMP_DAYS
        ):  # fmt: skip
            return True
    return False


def _shift(case: _Case, blocks: Blocks, path: Ints, first: int, last: int) -> int | None:
    """Hours of a run, None where another number of hours would do nearly as well."""
    hours, size = path[first : last + 1], blocks.size[first : last + 1]
    values = np.unique(hours)
    best = int(values[np.argmax([size[hours == value].sum() for value in values])])
    right = path == 0
    if len(np.unique(blocks.day[right])) < _HABIT_DAYS:
        return None
    choices = best + np.arange(-REACH_H, REACH_H + 1)
    choices = choices[choices != 0]
    cost = strangeness(blocks, choices, right, case.now, case.began)[first : last + 1].sum(axis=0)
    for edge, sign in ((first, 1), (last + 1, -1)):
        if 0 < edge < len(path):
            gap = blocks.first[edge] - blocks.last[edge - 1]
            cost = cost + waiting(gap + sign * choices * float(HOUR))
    lead = np.partition(cost, 1)
    return int(choices[cost.argmin()]) if lead[1] - lead[0] >= _MARGIN else None


def _counted(bounds: ClockBounds, case: _Case, order: Ordered, begin: int, end: int) -> ClockBounds:
    """Add the counts at which the stretch begins and ends, and the check just before it."""
    splices, checks = case.splices, case.checks
    for column, short in (("splice_number", "number"), ("arc_count", "arc")):
        if column not in splices:
            continue
        count = splices[column].to_numpy(np.float64, na_value=np.nan)[order.rows]
        within = count[begin : end + 1]
        if np.isnan(count[begin]) or (np.diff(within) < 0).sum() > 1:
            continue
        after = None if end >= len(count) or np.isnan(count[end]) else float(count[end])
        first_count = float(count[begin])
        if short == "number":
            bounds = replace(bounds, first_number=first_count, end_number=after)
            continue
        bounds = replace(bounds, first_arc=first_count, end_arc=after)
        if begin and not np.isnan(count[begin - 1]):
            first = _instant(order.time[begin])
            own = checks["arc_count"]
            since = count[begin - 1] if count[begin - 1] < count[begin] else -1.0
            at = checks["checked_at"]
            near = (own > since) & (own <= count[begin]) & (at <= first)
            near &= at >= first - _CHECK_BEFORE
            if near.any():
                bounds = replace(
                    bounds,
                    first_arc=float(own[near].min()),
                    starts_at=min(bounds.starts_at, at[near].min()),
                )
    return bounds


def _without_counts(case: _Case) -> tuple[Stretch, ...]:
    """Stretches that no order is needed for: times to come, and times before the crew began."""
    at = pd.concat([case.splices["spliced_at"], case.checks["checked_at"]])
    now, began = case.now, case.began
    found = []
    for wrong in (at > now + AHEAD, at < began if began is not None else at != at):
        if wrong.sum() < MIN_SPLICES:
            continue
        first, last = at[wrong].min(), at[wrong].max()
        bounds = ClockBounds(case.splicer, first, last + pd.Timedelta(microseconds=1))
        splices, checks = case.held(bounds)
        # when it happened is not known: no day of the calendar is taken for one of these
        nothing = (pd.Timestamp(1970, 1, 1), pd.Timestamp(1970, 1, 1))
        since = min(max(first, began) if began is not None else first, now)
        found.append(
            Stretch(
                bounds=bounds,
                shift_h=None,
                since=since,
                until=now,
                before=None,
                splices=splices,
                checks=checks,
                days=case.days(at[wrong]).nunique(),
                span=nothing,
                going_on=bool(first > now),
            )
        )
    return tuple(found)


def _not_said_right(
    found: tuple[Stretch, ...], case: _Case, right: tuple[ClockBounds, ...]
) -> tuple[Stretch, ...]:
    """Leave out stretches most of which somebody said is right."""
    if not right:
        return found
    kept = []
    for stretch in found:
        rows = settled = 0
        for records, when in ((case.splices, "spliced_at"), (case.checks, "checked_at")):
            own = stretch.bounds.contains(records, when)
            said = np.zeros(len(records), np.bool_)
            for bounds in right:
                said |= bounds.contains(records, when)
            rows, settled = rows + int(own.sum()), settled + int((own & said).sum())
        if settled < rows / 2:
            kept.append(stretch)
    return tuple(kept)


def _instant(microseconds: int) -> pd.Timestamp:
    return pd.Timestamp(int(microseconds), unit="us", tz="UTC")
