"""Days of all charted units in order of time: what is known before charting, and what is found."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, monthly_counts
from arcdrift.analysis.common.grouping import group_index, match_rows, text_codes
from arcdrift.analysis.loss.day_level import (
    LAG_DAYS,
    LAG_FROM,
    LAG_SUSPENDED_DAYS,
    LAMBDA,
    PSEUDO_DAYS,
    SHORTEST_RUN,
    ChartGroup,
    relative_level,
)
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS
from arcdrift.analysis.loss.stream_days import CALIBRATION_DAYS
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.limits import ewma_limits, rounded_run_length

NEVER = 1e9
"""Limit of a chart that gives no alarms."""


@dataclass(frozen=True)
class SortedGroup:
    """Rows of one group in order of day and keys.

    Attributes
    ----------
    included : array of bool, shape (rows,)
        Rows that are not excluded.
    unit : array of int, shape (included rows,)
        Number of the unit of each included row.
    names : DataFrame
        Keys of each unit.
    """

    settings: ChartGroup
    days: pd.DataFrame
    included: Bools
    unit: Ints
    names: pd.DataFrame


def _sort_group(group: ChartGroup) -> SortedGroup:
    keys = list(group.keys)
    code, _ = group_index(*(group.days[name] for name in keys))
    order = np.lexsort((code, _microseconds(group.days["day"])))
    days, code = group.days.take(order).reset_index(drop=True), code[order]
    included = ~_flag(days, "excluded")
    _, first, unit = np.unique(code[included], return_index=True, return_inverse=True)
    names = days.loc[included, keys].iloc[first].reset_index(drop=True)
    return SortedGroup(group, days, included, unit.astype(np.int64), names)


def _microseconds(day: pd.Series) -> Ints:
    return day.to_numpy(dtype="datetime64[us]").astype(np.int64)


def _flag(days: pd.DataFrame, name: str) -> Bools:
    return days[name].to_numpy(dtype=bool) if name in days else np.zeros(len(days), dtype=bool)


def budget_limits(day: Ints, judged: Bools, budget: float, pace: pd.Series | None) -> Floats:
    """Limit of each row from the number of rows in the month up to its day; days are in order.

    Parameters
    ----------
    pace : Series, optional
        Rows of each day, by day, where charts outside these rows have a part in the budget.
    """
    days, first, code = np.unique(day, return_index=True, return_inverse=True)
    worked, rows = days, np.diff(first, append=len(day))
    if pace is not None:
        worked, rows = _microseconds(pace.index.to_series()), pace.to_numpy()
    monthly = monthly_counts(rows)[np.searchsorted(worked, days, side="right") - 1]
    used = np.unique(code[judged])
    run_lengths = np.maximum(monthly[used] / budget, SHORTEST_RUN)
    wanted = [rounded_run_length(length) for length in run_lengths.tolist()]
    limits = np.full(len(first), NEVER)
    limits[used] = ewma_limits(LAMBDA, wanted, sided="one")
    return np.asarray(limits[code], dtype=np.float64)


class ChartDays:
    """Rows of all groups in order of day, one a unit and day.

    Within a day the rows that can be judged come first, one group after another. Attributes are
    arrays with one entry per row, unless a comment says otherwise.

    Parameters
    ----------
    chart_groups : sequence of ChartGroup
    """

    def __init__(self, chart_groups: Sequence[ChartGroup]) -> None:
        groups = self.groups = [_sort_group(group) for group in chart_groups]
        frames = [group.days[group.included] for group in groups]
        group_number = np.repeat(np.arange(len(groups)), [len(frame) for frame in frames])
        offset = np.cumsum([0, *(len(group.names) for group in groups)])
        unit = np.concatenate([group.unit + offset[g] for g, group in enumerate(groups)])
        day = np.concatenate([_microseconds(frame["day"]) for frame in frames])
        self.size = np.bincount(unit, minlength=offset[-1])  # days of each unit
        start = np.cumsum(self.size) - self.size
        k = np.empty(len(unit), dtype=np.int64)
        k[np.lexsort((day, unit))] = np.arange(len(unit)) - np.repeat(start, self.size)
        judged = k >= CALIBRATION_DAYS
        plain_limit = np.full((2, len(unit)), NEVER)
        self.month_starts: dict[int, list[int]] = {}  # groups that start a month on a day
        for g, group in enumerate(groups):
            of_group = group_number == g
            for side, budget in enumerate((group.settings.budget_up, group.settings.budget_down)):
                if budget is not None:
                    plain_limit[side, of_group] = budget_limits(
                        day[of_group], judged[of_group], budget, group.settings.pace
                    )
            for stamp in np.unique(day[of_group])[::WORKDAYS_PER_MONTH].tolist():
                self.month_starts.setdefault(stamp, []).append(g)

        self.order = order = np.lexsort((group_number, ~judged, day))
        self.place = np.empty(len(order), dtype=np.int64)  # rows of the groups' frames, in turn
        self.place[order] = np.arange(len(order))
        self.group_number, self.day, self.is_judged = group_number[order], day[order], judged[order]
        self.unit, self.k, self.plain_limit = unit[order], k[order], plain_limit[:, order]
        self.n, capped, squares = (
            np.concatenate([frame[name].to_numpy(dtype=np.float64) for frame in frames])[order]
            for name in ("n", "capped", "capped_squares")
        )
        # for each row: the unit's row of the day before, and of the last day in its mean
        self.row, self.start = np.lexsort((self.k, self.unit)), start[self.unit]
        self.events = self._events_since_previous_day(frames)
        self.days_since_event = self._days_since_event()
        lagging = (self.k >= LAG_FROM) & (self.days_since_event >= LAG_SUSPENDED_DAYS)
        upto = np.where(lagging, self.k - LAG_DAYS, self.k)
        self.previous_row, self.mean_row = (
            self.row[self.start + np.maximum(last - 1, 0)] for last in (self.k, upto)
        )
        self.df = np.asarray(self.k - 1.0 + PSEUDO_DAYS, dtype=np.float64)
        self.between_due = self.is_judged & ((self.k - CALIBRATION_DAYS) % WORKDAYS_PER_MONTH == 0)
        # the center of a unit is the capped mean of its calibration days, at least half a
        # resolution step, so that ratios stay finite when all losses are 0
        early, early_n = (
            np.bincount(self.unit, np.where(self.is_judged, 0.0, values), offset[-1])
            for values in (capped, self.n)
        )
        self.center = np.maximum(early / early_n, 0.005)[self.unit]
        mean = capped / self.n
        self.y = relative_level(mean / self.center)
        self.squares = np.maximum(squares - self.n * mean**2, 0.0) / self.center**2

        self.splicer, self.site = (
            self._text_codes(frames, name)[order] for name in ("splicer", "site")
        )
        self.judged_rows = [
            np.flatnonzero(self.is_judged & (self.group_number == g)) for g in range(len(groups))
        ]
        self.group_of_unit = np.repeat(np.arange(len(groups)), np.diff(offset))
        self.frozen = np.concatenate([_flag(frame, "frozen") for frame in frames])[order]

    def before(self, row: int) -> Iterator[Any]:
        """Everything that the results of the rows before a row are computed from."""
        yield from (row, len(self.groups), self.size.shape, self.group_of_unit)
        for name in _ROW_ARRAYS:
            yield getattr(self, name)[..., :row]
        day = self.day[row] if row < len(self.day) else np.inf
        yield {stamp: groups for stamp, groups in self.month_starts.items() if stamp < day}
        yield [(bool(group.settings.common_effect), group.settings.keys) for group in self.groups]

    def _text_codes(self, frames: list[pd.DataFrame], name: str) -> Ints:
        """Code of a text column in each row; one code for groups without a common effect.

        Each group has codes of its own.
        """
        # in order of their first days, so that a state still knows them when others have come
        codes = [
            pd.factorize(text_codes(frame[name])[0])[0]
            if group.settings.common_effect
            else np.zeros(len(frame), dtype=np.int64)
            for group, frame in zip(self.groups, frames, strict=True)
        ]
        return np.concatenate(codes).astype(np.int64)

    def _events_since_previous_day(self, frames: list[pd.DataFrame]) -> Floats:
        """Events of each action between the unit's previous day and the row's, (actions, rows)."""
        counts = np.zeros((len(EVENT_COLUMNS), len(self.order)))
        for action, name in enumerate(EVENT_COLUMNS):
            parts = [
                frame[name].to_numpy(np.float64) if name in frame else np.zeros(len(frame))
                for frame in frames
            ]
            counts[action] = np.concatenate(parts)[self.order]
        previous = self.row[self.start + np.maximum(self.k - 1, 0)]
        events: Floats = counts - counts[:, previous]  # none on a unit's first day
        return events

    def _days_since_event(self) -> Ints:
        """Days of each row's unit since its latest event; as if endless without one."""
        event = np.asarray(self.events[:, self.row].any(axis=0), dtype=bool)
        position = np.arange(len(self.row))
        latest = np.maximum.accumulate(np.where(event | (self.k[self.row] == 0), position, 0))
        since = np.where(event[latest], position - latest, np.iinfo(np.int64).max)
        days = np.empty(len(since), dtype=np.int64)
        days[self.row] = since
        return days

    def cells_with_rows(self, g: int, cells: pd.DataFrame) -> pd.DataFrame:
        """Cells of a group's people with the row of their stream day."""
        group, place = self.groups[g], self.place
        keys, rows = [*group.settings.keys, "day"], place[self.group_number[place] == g]
        row = match_rows(cells, group.days.loc[group.included, keys], keys)
        return cells[row >= 0].assign(row=rows[row[row >= 0]])


_ROW_ARRAYS = (
    "day", "unit", "group_number", "k", "is_judged", "plain_limit", "n", "events", "y", "center",
    "squares", "splicer", "site", "frozen",
)  # fmt: skip
"""Arrays from which all others follow."""


class JudgedDays:
    """Results of the rows of `ChartDays`, filled in day by day.

    Attributes
    ----------
    level, sd, z : array, shape (rows,)
        Expected level without the common effects, standard deviation of a day around it, and the
        day's standard score.
    variance : array, shape (rows,)
        Of the day, without that of the level.
    person_effect : array, shape (rows,)
        Usual effect of the people who made the day's splices.
    common_effect : array, shape (2, rows)
        The day's effect on the crew, and on crew and site together.
    value, limit, alarm : array, shape (2, rows)
        EWMA, its limit, and whether it is above, for rises and falls.
    """

    def __init__(self, rows: int) -> None:
        self.level, self.sd, self.z, self.variance = np.full((4, rows), np.nan)
        self.person_effect = np.zeros(rows)
        self.common_effect = np.zeros((2, rows))
        self.value, self.limit = np.full((2, 2, rows), np.nan)
        self.alarm = np.zeros((2, rows), dtype=bool)
