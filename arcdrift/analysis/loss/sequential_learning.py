"""What charts learn day by day: levels, variances, people, service and autocorrelation."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from arcdrift.analysis.loss.chart_days import ChartDays, JudgedDays
from arcdrift.analysis.loss.day_level import (
    LAG_DAYS,
    LAMBDA,
    PSEUDO_DAYS,
    LearnedVariances,
    relative_level,
)
from arcdrift.analysis.loss.person_effects import PersonEffects
from arcdrift.analysis.loss.service_shift import FEWEST_BEFORE, SHIFT_DAYS, ServiceShifts
from arcdrift.analysis.loss.stream_days import CALIBRATION_DAYS
from arcdrift.arrays import Floats, Ints

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


def widening_for(lags: Floats) -> float:
    """Factor on the limits of an EWMA of values with autocorrelations `lags`, shape (LAGS,).

    The root of the growth of the variance of the EWMA, 1 + 2 sum_k rho_k (1-lambda)^k.
    """
    growth = 2.0 * float(lags @ (1 - LAMBDA) ** np.arange(1, LAGS + 1))
    return float(np.clip(np.sqrt(1.0 + max(growth, 0.0)), 1.0, WIDEST))


_UNIT_ARRAYS = (
    "within", "levels", "closed_levels", "between", "pooled_within", "pooled_between", "lag_sums",
    "lags", "lags_until", "widening",
)  # fmt: skip
_ROW_ARRAYS = ("history", "memory", "learned")


class SequentialLearning:
    """Estimates of all units and groups, from the days so far.

    Parameters
    ----------
    days : ChartDays
    judged : JudgedDays
        What charts found on the days so far, filled in by them.
    """

    def __init__(self, days: ChartDays, judged: JudgedDays) -> None:
        self.days, self.judged = days, judged
        units, groups, rows = len(days.size), len(days.groups), len(days.unit)
        self.within = np.zeros((2, units))  # units: sum of squares, degrees of freedom
        # units, since their latest event: days, sum y, sum y^2, sum within/n
        self.levels = np.zeros((4, units))
        # units, between earlier events: days, degrees of freedom, squares, sum within/n
        self.closed_levels = np.zeros((4, units))
        self.service_shifts = ServiceShifts(groups)
        self.between = np.full(units, PRIOR_BETWEEN)  # units
        self.pooled_within = np.zeros((2, groups))  # groups, of units past calibration
        self.pooled_between = np.full(groups, PRIOR_BETWEEN)  # groups
        self.lag_sums = np.zeros((groups, 2, LAGS))  # groups: sum z z', sum z^2, by lag
        self.lags = np.zeros((groups, LAGS))  # groups
        self.lags_until = np.zeros(groups, dtype=np.int64)  # groups: first row not in lag_sums
        self.widening = np.ones(groups)  # groups
        self.history = np.zeros((2, rows))  # sums after the day: weight, weight x level
        self.memory = np.ones(rows)  # share of those sums that events before the day leave
        # 1 for rows that baselines and variances learn from, else 0
        self.learned = 1.0 - days.frozen
        self.months: list[list[LearnedVariances]] = [[] for _ in range(groups)]  # groups
        self.person_models = {
            g: PersonEffects(days.cells_with_rows(g, group.settings.cells), days.n, LAG_DAYS)
            for g, group in enumerate(days.groups)
            if group.settings.cells is not None
        }

    def state(self, rows: int) -> dict[str, Any]:
        """What was learned from some first rows."""
        return {
            "units": {name: getattr(self, name) for name in _UNIT_ARRAYS},
            "rows": {name: getattr(self, name)[..., :rows] for name in _ROW_ARRAYS},
            "service_shifts": self.service_shifts,
            "months": self.months,
            "people": {g: people.state() for g, people in self.person_models.items()},
        }

    def restore(self, state: dict[str, Any], rows: int) -> None:
        """Go on from a state after some first rows."""
        for name, values in state["units"].items():
            getattr(self, name)[:] = values
        for name, values in state["rows"].items():
            getattr(self, name)[..., :rows] = values
        self.service_shifts, self.months = state["service_shifts"], state["months"]
        for g, people in state["people"].items():
            self.person_models[g].restore(people)

    def before(self, row: int) -> Iterator[Any]:
        """Cells of people on which the state before a row depends."""
        for g, people in self.person_models.items():
            cells = people.cells_of(slice(0, row))
            yield g
            for values in (people.row, people.person, people.n, people.mean, people.share):
                yield values[cells]

    def pooled(self) -> Floats:
        """Relative variance of one capped splice, pooled over the units of each group."""
        squares, df = self.pooled_within
        pooled: Floats = (PSEUDO_DAYS * PRIOR_WITHIN + squares) / (PSEUDO_DAYS + df)
        return pooled

    def shrunken_within(self, unit: Ints) -> Floats:
        """Relative variance of one capped splice of each unit, shrunken to that of its group."""
        squares, df = self.within[:, unit]
        pooled = self.pooled()[self.days.group_of_unit[unit]]
        shrunken: Floats = (PSEUDO_DAYS * pooled + squares) / (PSEUDO_DAYS + df)
        return shrunken

    def unit_within(self, unit: Ints) -> Floats:
        """Relative variance of one capped splice of each unit alone."""
        squares, df = self.within[:, unit]
        return np.where(df > 0, squares / np.maximum(df, 1.0), PRIOR_WITHIN)

    def estimate_between(self, due: Ints) -> None:
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
            np.bincount(self.days.group_of_unit, values, len(self.days.groups))
            for values in (df * unit_between, df)
        )
        pooled = (PSEUDO_DAYS * PRIOR_BETWEEN + sums) / (PSEUDO_DAYS + weights)
        group = self.days.group_of_unit[due]
        self.pooled_between[group] = np.maximum(pooled, 0.0)[group]
        shrunk = PSEUDO_DAYS * self.pooled_between[group] + (df * unit_between)[due]
        self.between[due] = np.maximum(shrunk / (PSEUDO_DAYS + df[due]), 0.0)

    def widen(self, g: int, first: int) -> None:
        """Update the autocorrelation of z of a group, and the factor on its limits.

        Adds the judged rows before row `first` that were not yet counted. Lags are counted in the
        unit's days; alarmed earlier days are left out.
        """
        rows = self.days.judged_rows[g]
        since, upto = np.searchsorted(rows, (self.lags_until[g], first))
        rows = rows[since:upto]
        self.lags_until[g] = first
        back = self.days.k[rows] - np.arange(1, LAGS + 1)[:, None]
        earlier = self.days.row[self.days.start[rows] + np.maximum(back, 0)]
        used = (back >= CALIBRATION_DAYS) & ~self.judged.alarm[:, earlier].any(axis=0)
        before = np.where(used, np.clip(self.judged.z[earlier], -3, 3), 0.0)
        products = before * np.clip(self.judged.z[rows], -3, 3)
        self.lag_sums[g] += [products.sum(axis=1), (before**2).sum(axis=1)]
        products, squares = self.lag_sums[g]
        self.lags[g] = products / (squares + LAG_PSEUDO_DAYS)
        self.widening[g] = widening_for(self.lags[g])

    def learned_variances(self, g: int, before: np.datetime64, rows: int) -> LearnedVariances:
        """Variances of a group as they are now, after some first rows; `before` is their end."""
        unit = np.flatnonzero(self.days.group_of_unit == g)
        charted = np.bincount(self.days.unit[:rows], minlength=len(self.days.size))[unit]
        known = charted > CALIBRATION_DAYS
        return LearnedVariances(
            before,
            np.where(known, self.shrunken_within(unit), self.pooled()[g]),
            np.where(known, self.between[unit], self.pooled_between[g]),
            float(self.pooled()[g]),
            float(self.pooled_between[g]),
            self.service_shifts.variance[:, g].copy(),
            float(self.widening[g]),
        )

    def end_month(self, g: int, first: int) -> None:
        """Note the variances of a group before row `first`, with which a month begins."""
        before = np.datetime64(int(self.days.day[first]), "us")
        self.months[g].append(self.learned_variances(g, before, first))

    def learn_within(self, rows: slice, judged: slice) -> None:
        """Update the variances within days with the rows of a day; the judged ones are pooled."""
        unit, learned = self.days.unit[rows], self.learned[rows]
        added = learned * np.array([self.days.squares[rows], self.days.n[rows] - 1.0])
        self.within[:, unit] += added
        self._add_to_pool(self.days.group_number[judged], added[:, : judged.stop - judged.start])

    def _add_to_pool(self, group_number: Ints, added: Floats) -> None:
        for sums, values in zip(self.pooled_within, added, strict=True):
            sums += np.bincount(group_number, values, len(self.days.groups))

    def learn_levels(self, rows: slice, variance: Floats, value: Floats) -> None:
        """Update levels, people and moves at service with the judged rows of a day.

        Parameters
        ----------
        variance, value : array, shape (rows,)
            Variance of each row, and its clipped level.
        """
        unit, learned = self.days.unit[rows], self.learned[rows]
        weight = learned / variance
        remaining = self.history[:, self.days.previous_row[rows]] * self.memory[rows]
        self.history[0, rows] = remaining[0] + weight
        self.history[1, rows] = remaining[1] + weight * value
        self._close_levels(unit[self.days.events[:, rows].any(axis=0)])
        y = self.days.y[rows] - self.judged.common_effect[1, rows] - self.judged.person_effect[rows]
        within = self.unit_within(unit) / self.days.n[rows]
        self.levels[:, unit] += learned * np.array([np.ones(len(y)), y, y**2, within])

        for g in self.person_models:
            self._learn_people(g, rows)
        self._learn_shifts(
            np.flatnonzero(self.days.days_since_event[rows] == SHIFT_DAYS - 1) + rows.start
        )

    def _close_levels(self, unit: Ints) -> None:
        """Set apart the sums of days before an event, so that its move is no scatter of days."""
        if not len(unit):
            return
        days, total, squares, within = self.levels[:, unit]
        around_mean = squares - total**2 / np.maximum(days, 1.0)
        self.closed_levels[:, unit] += [days, np.maximum(days - 1.0, 0.0), around_mean, within]
        self.levels[:, unit] = 0.0

    def _learn_people(self, g: int, rows: slice) -> None:
        """Update the effects of people with the cells of one day of a group."""
        first, last = np.searchsorted(self.days.group_number[rows], (g, g + 1)) + rows.start
        people = self.person_models[g]
        cells = people.cells_of(slice(first, last))
        row = people.row[cells]
        within = self.shrunken_within(self.days.unit[row])
        # the cube root of a mean of few values is biased by -within / (3 n)
        bias = within / 3.0 * (1.0 / people.n[cells] - 1.0 / self.days.n[row])
        y = relative_level(people.mean[cells] / self.days.center[row]) + bias
        people.learn(
            cells,
            y - self.judged.level[row] - self.judged.common_effect[1, row],
            within / people.n[cells] + self.between[self.days.unit[row]],
            self.learned[row] > 0,
            monthly=int(self.days.day[rows.start]) in self.days.month_starts,
        )

    def _learn_shifts(self, rows: Ints) -> None:
        """Learn how far single events move levels, from the days since them that end at `rows`."""
        if not len(rows):
            return
        event = self.days.row[self.days.start[rows] + self.days.k[rows] - (SHIFT_DAYS - 1)]
        single = self.days.events[:, event].sum(axis=0) == 1
        usable = single & (self.days.k[event] >= CALIBRATION_DAYS + FEWEST_BEFORE)
        rows, event = rows[usable], event[usable]
        days = self.days.row[
            self.days.start[rows] + self.days.k[rows] - np.arange(SHIFT_DAYS)[:, None]
        ]
        weight = 1.0 / self.judged.variance[days]
        y = self.days.y[days] - self.judged.common_effect[1, days] - self.judged.person_effect[days]
        weight_before, total_before = self.history[:, self.days.previous_row[event]]
        after = (weight * y).sum(axis=0) / weight.sum(axis=0)
        self.service_shifts.learn(
            self.days.events[:, event].argmax(axis=0),
            self.days.group_number[rows],
            after - total_before / weight_before,
            1.0 / weight.sum(axis=0) + 1.0 / weight_before,
        )

    def calibrate(self, rows: slice) -> None:
        """Compute the first history of units that have just completed their calibration days."""
        complete = np.flatnonzero(self.days.k[rows] == CALIBRATION_DAYS - 1) + rows.start
        if not len(complete):
            return
        unit, group_number = self.days.unit[complete], self.days.group_number[complete]
        self._add_to_pool(group_number, self.within[:, unit])
        within = self.shrunken_within(unit)
        early = self.days.row[self.days.start[complete] + np.arange(CALIBRATION_DAYS)[:, None]]
        y, n = self.days.y[early], self.days.n[early]
        weight = 1.0 / (within / n + self.pooled_between[group_number])
        self.history[:, early] = np.cumsum([weight, weight * y], axis=1)
        unit_within = self.unit_within(unit) / n
        self.levels[:, unit] += np.sum([np.ones(y.shape), y, y**2, unit_within], axis=1)
