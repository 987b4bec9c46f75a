"""The part of a splicer's log in which its clock was wrong.

A splicer's clock can be off for a while, and then be put right. The rows logged meanwhile are
found by the time as logged and, where the log has a counter, by the counter as well: close to a
jump of the clock two rows can show the same hour although only one of them is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from arcdrift.arrays import Bools

MAX_AHEAD = timedelta(minutes=30)
"""Times of records further than this in the future are impossible."""
MAX_SHIFT = timedelta(days=365 * 40)
"""A clock is wrong by no more: longer ones are slips of who types them."""
COUNTERS = (("splice_number", "number"), ("arc_count", "arc"))
"""Counter columns of a log, preferred one first, each with its short name in `ClockBounds`."""


@dataclass(frozen=True)
class ClockBounds:
    """Where a splicer's clock was wrong.

    Attributes
    ----------
    starts_at, ends_at : aware datetime
        Half-open, as the splicer's clock showed it.
    first_number, end_number : float or None
        Half-open range of splice numbers; None leaves that side open.
    first_arc, end_arc : float or None
        The same in arc counts, for rows without a splice number. An end below the first means
        that the count began anew in between.
    """

    splicer: str
    starts_at: datetime
    ends_at: datetime
    first_number: float | None = None
    end_number: float | None = None
    first_arc: float | None = None
    end_arc: float | None = None

    def contains(self, rows: pd.DataFrame, time_column: str) -> Bools:
        """Whether each row of this splicer lies within the bounds.

        Parameters
        ----------
        rows : DataFrame
            With the column `time_column`, ``arc_count`` and, for splices, ``splice_number``. Rows
            that are true in ``by_hand``, where there is one, have no time of the splicer's clock.
        """
        import numpy as np  # commands that only list something do without it

        times = rows[time_column]
        inside = ((times >= self.starts_at) & (times < self.ends_at)).to_numpy()
        if "by_hand" in rows:
            inside &= ~rows["by_hand"].to_numpy(np.bool_)
        undecided = np.ones(len(rows), np.bool_)
        for column, counter in COUNTERS:
            if column not in rows or not self.limits_counter(counter):
                continue
            count = rows[column].to_numpy(np.float64, na_value=np.nan)
            counted = undecided & ~np.isnan(count)
            inside = inside & (~counted | self.counter_inside(count, counter))
            undecided = undecided & ~counted
        return np.asarray(inside, np.bool_)

    def limits_counter(self, counter: str) -> bool:
        """Whether a counter, "number" or "arc", has a limit on either side."""
        return self._range(counter) != (None, None)

    def counter_inside(self, count: Any, counter: str) -> Any:
        """Whether counts lie in the range of a counter that has a limit.

        Parameters
        ----------
        count : array of float, or SQL column
            The result is of the same sort: an array of bool, or an SQL condition.
        """
        first, end = self._range(counter)
        if first is None or end is None:
            return count >= first if end is None else count < end
        if end < first:
            return (count >= first) | (count < end)
        return (count >= first) & (count < end)

    def overlaps(self, other: ClockBounds) -> bool:
        """Whether two bounds of one splicer may share a row."""
        if self.ends_at <= other.starts_at or other.ends_at <= self.starts_at:
            return False
        # two stretches of one splicer may show the same hours, and still hold different splices
        return not any(
            end is not None and first is not None and end <= first
            for end, first in (
                (self.end_number, other.first_number),
                (other.end_number, self.first_number),
            )
        )

    def _range(self, counter: str) -> tuple[float | None, float | None]:
        return getattr(self, f"first_{counter}"), getattr(self, f"end_{counter}")
