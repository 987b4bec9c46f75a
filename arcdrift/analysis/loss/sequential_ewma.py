"""Sequential EWMA charts of daily means for many units, under the crew's false-alarm budget.

All units advance together on the crew's calendar, one day at a time, so that everything a chart
uses (its baseline, the between-day variance pooled over its group, the autocorrelation, the pace
that turns the budget into a limit) comes from earlier days only. The loop runs over days; each
step is vectorized over the units of all groups, and what does not depend on alarms is computed
for all days before the loop.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtr

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, monthly_counts
from arcdrift.analysis.common.grouping import group_index
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.loss.common_day_effect import CommonDayEffect
from arcdrift.analysis.loss.day_level import (
    CHART_COLUMNS,
    CLIP,
    LAG_DAYS,
    LAG_FROM,
    LAG_SUSPENDED_DAYS,
    LAMBDA,
    PSEUDO_DAYS,
    SHORTEST_RUN,
    ChartGroup,
    LossCharts,
    ratio_of,
    relative_level,
)
from arcdrift.analysis.loss.person_effects import PersonEffects
from arcdrift.analysis.loss.service_shift import (
    EVENT_COLUMNS,
    FEWEST_BEFORE,
    SHIFT_DAYS,
    ServiceShifts,
)
from arcdrift.analysis.loss.stream_days import CALIBRATION_DAYS
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.ewma import ewma_step
from arcdrift.charts.intervals import Z95
from arcdrift.charts.limits import ewma_limits
from arcdrift.charts.local_level import remaining_weight

PRIOR_BETWEEN = 0.10**2
"""Prior between-day variance (middle of the studied 5-15 %)."""
PRIOR_WITHIN = 1.0
"""Prior squared coefficient of variation of one capped splice."""
LAGS = 8
"""Lags of the autocorrelation: people stay on a splicer for about a week, and weather for days."""
LAG_PSEUDO_DAYS = 200.0
"""Days that a prior autocorrelation of 0 is worth."""
WIDEST = 2.0
"""Largest factor on the limits for autocorrelation."""
NEVER = 1e9
"""Limit of a chart that gives no alarms."""
SETTLED_SD = float(np.sqrt(LAMBDA / (2 - LAMBDA)))
"""Standard deviation of the settled EWMA of standard normal values."""


def chart_groups(groups: Sequence[ChartGroup]) -> list[LossCharts]:
    """Chart the units of several groups in one pass over the days, each group by itself.

    Notes
    -----
    z is one step ahead: the day's y less the mean of earlier days (innovations clipped at 2.5
    sigma, alarmed days left out, lagging 10 days once 40 exist), over the root of
    within/n + between + the variance of the mean. One-sided EWMA, lambda 0.2, reset at an alarm;
    limit L sqrt(lambda/(2-lambda)), widened by the root of 1 + 2 sum_k rho_k (1-lambda)^k, the
    growth of the variance of an EWMA of values with autocorrelations rho_k, pooled over the group.
    A service event that may move the level of a unit leaves the mean and widens its variance
    (`arcdrift.analysis.loss.service_shift`); for 20 days after it the mean does not lag. Usual
    effects of people and common effects of the day are part of the expectation.
    L gives the run length (active stream-days a month)/budget (Brook and Evans 1972).
    """
    charts = _SequentialEwma([_sort_group(group) for group in groups])
    charts.run()
    return charts.results()


@dataclass(frozen=True)
class _SortedGroup:
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


def _sort_group(group: ChartGroup) -> _SortedGroup:
    keys = list(group.keys)
    code, _ = group_index(*(group.days[name] for name in keys))
    order = np.lexsort((code, _microseconds(group.days["day"])))
    days, code = group.days.take(order).reset_index(drop=True), code[order]
    included = ~_flag(days, "excluded")
    _, first, unit = np.unique(code[included], return_index=True, return_inverse=True)
    names = days.loc[included, keys].iloc[first].reset_index(drop=True)
    return _SortedGroup(group, days, included, unit.astype(np.int64), names)


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
    # three significant digits: the rows of a month determine the run length no better
    run_lengths = np.maximum(monthly[used] / budget, SHORTEST_RUN)
    wanted = [float(f"{length:.3g}") for length in run_lengths]
    limits = np.full(len(first), NEVER)
    limits[used] = ewma_limits(LAMBDA, wanted, sided="one")
    return np.asarray(limits[code], dtype=np.float64)


def _normal_score(t: Floats, df: Floats) -> Floats:
    """Standard normal values with the same tail probability as Student's t values."""
    tail = np.clip(stdtr(df, -np.abs(t)), 1e-300, 0.5)
    return np.copysign(np.asarray(-ndtri(tail), dtype=np.float64), t)


class _SequentialEwma:
    """Charts of all groups: rows in order of day, and the state of every unit during the loop.

    Within a day the rows that can be judged come first, one group after another. Attributes are
    arrays with one entry per row, unless a comment says otherwise.
    """

    def __init__(self, groups: list[_SortedGroup]) -> None:
        self.groups = groups
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

        order = self.order = np.lexsort((group_number, ~judged, day))
        self.group_number, self.day, self.judged = group_number[order], day[order], judged[order]
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
        self.between_due = self.judged & ((self.k - CALIBRATION_DAYS) % WORKDAYS_PER_MONTH == 0)
        # the center of a unit is the capped mean of its calibration days, at least half a
        # resolution step, so that ratios stay finite when all losses are 0
        early, early_n = (
            np.bincount(self.unit, np.where(self.judged, 0.0, values), offset[-1])
            for values in (capped, self.n)
        )
        self.center = np.maximum(early / early_n, 0.005)[self.unit]
        mean = capped / self.n
        self.y = relative_level(mean / self.center)
        self.squares = np.maximum(squares - self.n * mean**2, 0.0) / self.center**2

        self.splicer, self.site = (
            self._text_codes(frames, name)[order] for name in ("splicer", "site")
        )
        self.effect_models = {
            g: (CommonDayEffect(), CommonDayEffect())  # crew, site
            for g, group in enumerate(groups)
            if group.settings.common_effect
        }
        self.judged_rows = [
            np.flatnonzero(self.judged & (self.group_number == g)) for g in range(len(groups))
        ]
        self.lags_until = np.zeros(len(groups), dtype=np.int64)  # groups: first row not in lag_sums
        self.person_models = {
            g: PersonEffects(
                self._with_rows(group.settings.cells, group, group_number == g), self.n, LAG_DAYS
            )
            for g, group in enumerate(groups)
            if group.settings.cells is not None
        }
        self.person_effect = np.zeros(len(unit))
        self.group_of_unit = np.repeat(np.arange(len(groups)), np.diff(offset))
        self.within = np.zeros((2, offset[-1]))  # units: sum of squares, degrees of freedom
        # units, since their latest event: days, sum y, sum y^2, sum within/n
        self.levels = np.zeros((4, offset[-1]))
        # units, between earlier events: days, degrees of freedom, squares, sum within/n
        self.closed_levels = np.zeros((4, offset[-1]))
        self.service_shifts = ServiceShifts(len(groups))
        self.between = np.full(offset[-1], PRIOR_BETWEEN)  # units
        self.ewma = np.zeros((2, offset[-1]))  # units
        self.pooled_within = np.zeros((2, len(groups)))  # groups, of units past calibration
        self.pooled_between = np.full(len(groups), PRIOR_BETWEEN)  # groups
        self.lag_sums = np.zeros((len(groups), 2, LAGS))  # groups: sum z z', sum z^2, by lag
        self.lags = np.zeros((len(groups), LAGS))  # groups
        self.widening = np.ones(len(groups))  # groups
        self.history = np.zeros((2, len(unit)))  # sums after the day: weight, weight x level
        self.memory = np.ones(len(unit))  # share of those sums that events before the day leave
        self.variance = np.full(len(unit), np.nan)
        # 1 for rows that baselines and variances learn from, else 0
        self.learned = 1.0 - np.concatenate([_flag(frame, "frozen") for frame in frames])[order]
        self.common_effect = np.zeros((2, len(unit)))  # of the crew; of crew and site together
        self.level, self.sd, self.z = np.full((3, len(unit)), np.nan)
        self.value, self.limit = np.full((2, 2, len(unit)), np.nan)
        self.alarm = np.zeros((2, len(unit)), dtype=bool)

    def _text_codes(self, frames: list[pd.DataFrame], name: str) -> Ints:
        """Code of a text column in each row; one code for groups without a common effect."""
        texts = [
            frame[name].fillna("").astype(str)
            if group.settings.common_effect
            else pd.Series("", frame.index)
            for group, frame in zip(self.groups, frames, strict=True)
        ]
        return pd.factorize(pd.concat(texts))[0].astype(np.int64)

    def _events_since_previous_day(self, frames: list[pd.DataFrame]) -> Floats:
        """Events of each action between the unit's previous day and the row's, (actions, rows)."""
        counts = np.concatenate(
            [
                frame.reindex(columns=list(EVENT_COLUMNS), fill_value=0).to_numpy(np.float64)
                for frame in frames
            ]
        ).T[:, self.order]
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

    def _with_rows(self, cells: pd.DataFrame, group: _SortedGroup, of_group: Bools) -> pd.DataFrame:
        """Cells of a group's people with the row of their stream day."""
        place = np.empty(len(self.order), dtype=np.int64)
        place[self.order] = np.arange(len(place))
        keys = [*group.settings.keys, "day"]
        days = group.days.loc[group.included, keys].assign(row=place[of_group])
        return days.merge(cells, on=keys)

    def run(self) -> None:
        """For each day: judge it by earlier days, then update the estimates with it."""
        edges = [*np.flatnonzero(np.diff(self.day, prepend=-1)).tolist(), len(self.day)]
        judged = np.cumsum([0, *self.judged])
        for first, last in pairwise(edges):
            for g in self.month_starts.get(int(self.day[first]), ()):
                self._widen(g, first)
            today = slice(first, first + int(judged[last] - judged[first]))
            result = self._judge_day(today) if today.stop > first else None
            self._learn_within(slice(first, last), today)
            if result is not None:
                self._learn_levels(today, *result)
            if last > today.stop:
                self._calibrate(slice(today.stop, last))

    # -- judging -----------------------------------------------------------------------------

    def _judge_day(self, rows: slice) -> tuple[Floats, Floats]:
        """Chart one day; return the variance of each row and its clipped level to learn from."""
        unit, group_number = self.unit[rows], self.group_number[rows]
        if self.between_due[rows].any():
            self._estimate_between(unit[self.between_due[rows]])
        variance = self._shrunken_within(unit) / self.n[rows] + self.between[unit]
        weight, total = self.history[:, self.mean_row[rows]]
        level = total / weight
        added = self.service_shifts.added_variance(self.events[:, rows], group_number)
        self.memory[rows] = remaining_weight(weight, added)
        weight = weight * self.memory[rows]
        self.variance[rows] = variance
        sd = np.sqrt(variance + 1.0 / weight)
        for g, people in self.person_models.items():
            first, last = np.searchsorted(group_number, (g, g + 1)) + rows.start
            self.person_effect[first:last] = people.offset(slice(first, last))
        residual = self.y[rows] - level - self.person_effect[rows]
        for g in self.effect_models:
            first, last = np.searchsorted(group_number, (g, g + 1))
            group_rows = slice(rows.start + first, rows.start + last)
            self._estimate_common_effect(g, group_rows, residual[first:last], sd[first:last] ** 2)
        residual -= self.common_effect[1, rows]
        z = _normal_score(residual / sd, self.df[rows])
        limit = self.plain_limit[:, rows] * self.widening[group_number]
        step = ewma_step(self.ewma[:, unit], np.stack([z, -z]), LAMBDA, limit, sided="one")
        self.ewma[:, unit] = step.state
        self.alarm[:, rows] = step.signal > 0
        self.learned[rows] *= ~self.alarm[:, rows].any(axis=0)
        self.level[rows], self.sd[rows], self.z[rows] = level, sd, z
        self.value[:, rows], self.limit[:, rows] = step.value, limit * SETTLED_SD
        reach = np.sqrt(variance) * CLIP
        return variance, level + np.clip(residual, -reach, reach)

    def _estimate_common_effect(
        self, g: int, rows: slice, residual: Floats, variance: Floats
    ) -> None:
        """Estimate the day's common effect on the crew, and on crew and site together."""
        if rows.stop == rows.start:
            return
        splicer = self.splicer[rows]
        crew, site = self.effect_models[g]
        one_group = np.zeros(len(residual), dtype=np.int64)
        crew_effect = crew.estimate(residual, variance, splicer, one_group)
        site_effect = site.estimate(residual - crew_effect, variance, splicer, self.site[rows])
        self.common_effect[:, rows] = crew_effect, crew_effect + site_effect

    def _pooled(self) -> Floats:
        """Relative variance of one capped splice, pooled over the units of each group."""
        squares, df = self.pooled_within
        pooled: Floats = (PSEUDO_DAYS * PRIOR_WITHIN + squares) / (PSEUDO_DAYS + df)
        return pooled

    def _shrunken_within(self, unit: Ints) -> Floats:
        """Relative variance of one capped splice of each unit, shrunken to that of its group."""
        squares, df = self.within[:, unit]
        pooled = self._pooled()[self.group_of_unit[unit]]
        shrunken: Floats = (PSEUDO_DAYS * pooled + squares) / (PSEUDO_DAYS + df)
        return shrunken

    def _unit_within(self, unit: Ints) -> Floats:
        """Relative variance of one capped splice of each unit alone."""
        squares, df = self.within[:, unit]
        return np.where(df > 0, squares / np.maximum(df, 1.0), PRIOR_WITHIN)

    def _estimate_between(self, due: Ints) -> None:
        """Between-day variance by empirical Bayes, for units whose estimate is due."""
        days, total, squares, within = self.levels
        closed_days, closed_df, closed_squares, closed_within = self.closed_levels
        all_days = days + closed_days
        df = closed_df + np.maximum(days - 1.0, 0.0)
        df = np.where(all_days >= CALIBRATION_DAYS, df, 0.0)
        around_mean = closed_squares + squares - total**2 / np.maximum(days, 1.0)
        mean_within = (within + closed_within) / np.maximum(all_days, 1.0)
        unit_between = np.where(df > 0, around_mean / np.maximum(df, 1.0) - mean_within, 0.0)
        sums, weights = (
            np.bincount(self.group_of_unit, values, len(self.groups))
            for values in (df * unit_between, df)
        )
        pooled = (PSEUDO_DAYS * PRIOR_BETWEEN + sums) / (PSEUDO_DAYS + weights)
        group = self.group_of_unit[due]
        self.pooled_between[group] = np.maximum(pooled, 0.0)[group]
        shrunk = PSEUDO_DAYS * self.pooled_between[group] + (df * unit_between)[due]
        self.between[due] = np.maximum(shrunk / (PSEUDO_DAYS + df[due]), 0.0)

    def _widen(self, g: int, first: int) -> None:
        """Update the autocorrelation of z of a group, and the factor on its limits.

        Adds the judged rows before row `first` that were not yet counted. Lags are counted in the
        unit's days; alarmed earlier days are left out.
        """
        rows = self.judged_rows[g]
        since, upto = np.searchsorted(rows, (self.lags_until[g], first))
        rows = rows[since:upto]
        self.lags_until[g] = first
        back = self.k[rows] - np.arange(1, LAGS + 1)[:, None]
        earlier = self.row[self.start[rows] + np.maximum(back, 0)]
        used = (back >= CALIBRATION_DAYS) & ~self.alarm[:, earlier].any(axis=0)
        before = np.where(used, np.clip(self.z[earlier], -3, 3), 0.0)
        products = before * np.clip(self.z[rows], -3, 3)
        self.lag_sums[g] += [products.sum(axis=1), (before**2).sum(axis=1)]
        products, squares = self.lag_sums[g]
        self.lags[g] = products / (squares + LAG_PSEUDO_DAYS)
        growth = 2.0 * float(self.lags[g] @ (1 - LAMBDA) ** np.arange(1, LAGS + 1))
        self.widening[g] = np.clip(np.sqrt(1.0 + max(growth, 0.0)), 1.0, WIDEST)

    # -- learning ----------------------------------------------------------------------------

    def _learn_within(self, rows: slice, judged: slice) -> None:
        unit, learned = self.unit[rows], self.learned[rows]
        added = learned * np.stack([self.squares[rows], self.n[rows] - 1.0])
        self.within[:, unit] += added
        self._add_to_pool(self.group_number[judged], added[:, : judged.stop - judged.start])

    def _add_to_pool(self, group_number: Ints, added: Floats) -> None:
        for sums, values in zip(self.pooled_within, added, strict=True):
            sums += np.bincount(group_number, values, len(self.groups))

    def _learn_levels(self, rows: slice, variance: Floats, value: Floats) -> None:
        unit, learned = self.unit[rows], self.learned[rows]
        weight = learned / variance
        kept = self.history[:, self.previous_row[rows]] * self.memory[rows]
        self.history[:, rows] = kept + np.stack([weight, weight * value])
        self._close_levels(unit[self.events[:, rows].any(axis=0)])
        y = self.y[rows] - self.common_effect[1, rows] - self.person_effect[rows]
        within = self._unit_within(unit) / self.n[rows]
        self.levels[:, unit] += learned * np.stack([np.ones(len(y)), y, y**2, within])

        for g in self.person_models:
            self._learn_people(g, rows)
        self._learn_shifts(
            np.flatnonzero(self.days_since_event[rows] == SHIFT_DAYS - 1) + rows.start
        )

    def _close_levels(self, unit: Ints) -> None:
        """Set apart the sums of days before an event, so that its move is no scatter of days."""
        days, total, squares, within = self.levels[:, unit]
        around_mean = squares - total**2 / np.maximum(days, 1.0)
        self.closed_levels[:, unit] += [days, np.maximum(days - 1.0, 0.0), around_mean, within]
        self.levels[:, unit] = 0.0

    def _learn_people(self, g: int, rows: slice) -> None:
        """Update the effects of people with the cells of one day of a group."""
        first, last = np.searchsorted(self.group_number[rows], (g, g + 1)) + rows.start
        people = self.person_models[g]
        cells = people.cells_of(slice(first, last))
        row = people.row[cells]
        within = self._shrunken_within(self.unit[row])
        # the cube root of a mean of few values is biased by -within / (3 n)
        bias = within / 3.0 * (1.0 / people.n[cells] - 1.0 / self.n[row])
        y = relative_level(people.mean[cells] / self.center[row]) + bias
        people.learn(
            cells,
            y - self.level[row] - self.common_effect[1, row],
            within / people.n[cells] + self.between[self.unit[row]],
            self.learned[row] > 0,
            monthly=int(self.day[rows.start]) in self.month_starts,
        )

    def _learn_shifts(self, rows: Ints) -> None:
        """Learn how far single events move levels, from the days since them that end at `rows`."""
        event = self.row[self.start[rows] + self.k[rows] - (SHIFT_DAYS - 1)]
        single = self.events[:, event].sum(axis=0) == 1
        usable = single & (self.k[event] >= CALIBRATION_DAYS + FEWEST_BEFORE)
        rows, event = rows[usable], event[usable]
        days = self.row[self.start[rows] + self.k[rows] - np.arange(SHIFT_DAYS)[:, None]]
        weight = 1.0 / self.variance[days]
        y = self.y[days] - self.common_effect[1, days] - self.person_effect[days]
        weight_before, total_before = self.history[:, self.previous_row[event]]
        after = (weight * y).sum(axis=0) / weight.sum(axis=0)
        self.service_shifts.learn(
            self.events[:, event].argmax(axis=0),
            self.group_number[rows],
            after - total_before / weight_before,
            1.0 / weight.sum(axis=0) + 1.0 / weight_before,
        )

    def _calibrate(self, rows: slice) -> None:
        """Compute the first history of units that have just completed their calibration days."""
        complete = np.flatnonzero(self.k[rows] == CALIBRATION_DAYS - 1) + rows.start
        if not len(complete):
            return
        unit, group_number = self.unit[complete], self.group_number[complete]
        self._add_to_pool(group_number, self.within[:, unit])
        within = self._shrunken_within(unit)
        early = self.row[self.start[complete] + np.arange(CALIBRATION_DAYS)[:, None]]
        y, n = self.y[early], self.n[early]
        weight = 1.0 / (within / n + self.pooled_between[group_number])
        self.history[:, early] = np.cumsum([weight, weight * y], axis=1)
        unit_within = self._unit_within(unit) / n
        self.levels[:, unit] += np.sum([np.ones(y.shape), y, y**2, unit_within], axis=1)

    # -- results -----------------------------------------------------------------------------

    def results(self) -> list[LossCharts]:
        """Charts of each group."""
        level = self.level + self.common_effect[1] + self.person_effect
        low, expected, high = (
            self.center * ratio_of(level + sds * self.sd) for sds in (-Z95, 0.0, Z95)
        )
        charted = np.where(self.plain_limit < NEVER, [self.value, self.limit], np.nan)
        up, down = charted.swapaxes(0, 1)
        columns = [
            self.person_effect,
            *self.common_effect,
            expected,
            low,
            high,
            self.z,
            up[0],
            down[0],
            up[1],
            down[1],
        ]
        table = np.where(self.judged, columns, np.nan)
        place = np.empty(len(self.order), dtype=np.int64)
        place[self.order] = np.arange(len(place))
        ends = np.cumsum([group.included.sum() for group in self.groups])
        rows = np.split(place, ends[:-1])
        return [self._group_result(g, table, group_rows) for g, group_rows in enumerate(rows)]

    def _group_result(self, g: int, table: Floats, rows: Ints) -> LossCharts:
        """Charts of one group; `rows` are its included days, excluded days get missing values."""
        group = self.groups[g]
        chart_columns = np.full((len(CHART_COLUMNS), len(group.days)), np.nan)
        chart_columns[:, group.included] = table[:, rows]
        alarm = np.full(len(group.days), "", dtype=object)
        alarm[group.included] = np.where(
            self.alarm[1, rows], "down", np.where(self.alarm[0, rows], "up", "")
        )
        learning = np.zeros(len(group.days), dtype=bool)
        learning[group.included] = self.k[rows] < LAG_FROM
        total, capped, n = (
            group.days[name].to_numpy(dtype=np.float64) for name in ("total", "capped", "n")
        )
        charted = {
            **dict(zip(CHART_COLUMNS, chart_columns, strict=True)),
            "alarm": alarm, "learning": learning,
            "mean_db": total / n, "capped_mean_db": capped / n,
        }  # fmt: skip
        days = pd.concat([group.days, pd.DataFrame(charted)], axis=1)
        unit = np.flatnonzero(self.group_of_unit == g)
        size = self.size[unit]
        # the baseline in dB is that of the days in the mean
        row_unit = self.unit[rows]
        newest = self.row[np.cumsum(self.size) - 1]
        lagging = (self.size >= LAG_FROM) & (self.days_since_event[newest] >= LAG_SUSPENDED_DAYS)
        last = np.where(lagging, self.size - LAG_DAYS, self.size)[row_unit]
        used = self.learned[rows] * (self.k[rows] < last)
        loss, count = (
            np.bincount(row_unit, used * values[group.included], len(self.size))[unit]
            for values in (total, n)
        )
        known = (size >= CALIBRATION_DAYS) & (count > 0)
        within = self._shrunken_within(unit)
        judged = size > CALIBRATION_DAYS
        units = group.names.assign(
            n_days=size,
            baseline_db=np.where(known, loss / np.maximum(count, 1.0), np.nan),
            sd_within=np.where(judged, np.sqrt(within), np.nan),
            sd_between=np.where(judged, np.sqrt(self.between[unit]), np.nan),
        )
        return LossCharts(
            days,
            units,
            float(self.pooled_between[g]),
            float(self._pooled()[g]),
            float(self.lags[g, 0]),
            float(self.widening[g]),
            {
                action: (float(np.sqrt(variance)), int(events))
                for action, variance, events in zip(
                    RESTART_ACTIONS,
                    self.service_shifts.variance[:, g],
                    self.service_shifts.events[:, g],
                    strict=True,
                )
            },
        )
