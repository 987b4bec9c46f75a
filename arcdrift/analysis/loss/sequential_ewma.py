"""Sequential EWMA charts of daily means for many units, under the crew's false-alarm budget.

All units advance together on the crew's calendar, one day at a time, so that everything a chart
uses (its baseline, the between-day variance pooled over its group, the autocorrelation, the pace
that turns the budget into a limit) comes from earlier days only. The loop runs over days; each
step is vectorized over the units of all groups, and what does not depend on alarms is computed
for all days before the loop.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtr

from arcdrift.analysis.common.chart_states import ChartStates, digest_of
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.loss.chart_days import NEVER, ChartDays, JudgedDays
from arcdrift.analysis.loss.common_day_effect import CommonDayEffect
from arcdrift.analysis.loss.day_level import (
    CHART_COLUMNS,
    CLIP,
    LAG_DAYS,
    LAG_FROM,
    LAG_SUSPENDED_DAYS,
    LAMBDA,
    ChartGroup,
    LossCharts,
    ratio_of,
)
from arcdrift.analysis.loss.sequential_learning import SequentialLearning
from arcdrift.analysis.loss.stream_days import CALIBRATION_DAYS
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.ewma import ewma_step
from arcdrift.charts.intervals import Z95
from arcdrift.charts.local_level import remaining_weight

END = np.datetime64("9999-12-31", "us")
"""After all days."""
SETTLED_SD = float(np.sqrt(LAMBDA / (2 - LAMBDA)))
"""Standard deviation of the settled EWMA of standard normal values."""


def chart_groups(
    groups: Sequence[ChartGroup], states: ChartStates | None = None, name: str = ""
) -> list[LossCharts]:
    """Chart the units of several groups in one pass over the days, each group by itself.

    Parameters
    ----------
    states : ChartStates, optional
        States from which the charts may go on.
    name : str
        Name of these charts among them.

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
    charts = _SequentialEwma(ChartDays(groups))
    charts.run(ChartStates() if states is None else states, name)
    return charts.results()


def _normal_score(t: Floats, df: Floats) -> Floats:
    """Standard normal values with the same tail probability as Student's t values."""
    tail = np.clip(stdtr(df, -np.abs(t)), 1e-300, 0.5)
    return np.copysign(np.asarray(-ndtri(tail), dtype=np.float64), t)


class _SequentialEwma:
    """Charts of all groups: each day is judged by earlier days, then learned from."""

    def __init__(self, days: ChartDays) -> None:
        self.days = days
        self.judged = JudgedDays(len(days.unit))
        self.learning = SequentialLearning(days, self.judged)
        self.ewma = np.zeros((2, len(days.size)))  # units
        self.effect_models = {
            g: (CommonDayEffect(), CommonDayEffect())  # crew, site
            for g, group in enumerate(days.groups)
            if group.settings.common_effect
        }

    def run(self, states: ChartStates, name: str) -> None:
        """For each day: judge it by earlier days, then update the estimates with it."""
        edges = [*np.flatnonzero(np.diff(self.days.day, prepend=-1)).tolist(), len(self.days.day)]
        judged = np.cumsum([0, *self.days.is_judged])
        done, keep = self._resume(states, name), states.day_to_keep
        keep_at = -1 if keep is None else int(np.searchsorted(self.days.day, keep))
        for first, last in pairwise(edges):
            if first < done:
                continue
            if keep is not None and first == keep_at > done:
                states.keep(name, keep, self._digest(keep), self._state(first))
            for g in self.days.month_starts.get(int(self.days.day[first]), ()):
                self.learning.widen(g, first)
                self.learning.end_month(g, first)
            today = slice(first, first + int(judged[last] - judged[first]))
            result = self._judge_day(today) if today.stop > first else None
            self.learning.learn_within(slice(first, last), today)
            if result is not None:
                self.learning.learn_levels(today, *result)
            if last > today.stop:
                self.learning.calibrate(slice(today.stop, last))

    def _digest(self, day: int) -> bytes:
        """Digest of everything on which the state of the charts before a day depends."""
        row = int(np.searchsorted(self.days.day, day))
        return digest_of([*self.days.before(row), *self.learning.before(row)])

    def _state(self, rows: int) -> dict[str, Any]:
        """State after some first rows."""
        return {
            "judged": {name: values[..., :rows] for name, values in vars(self.judged).items()},
            "learning": self.learning.state(rows),
            "ewma": self.ewma,
            "effects": self.effect_models,
        }

    def _resume(self, states: ChartStates, name: str) -> int:
        """Go on from a known state, if there is one; return the number of rows before it."""
        found = states.resume(name, self._digest)
        if found is None:
            return 0
        day, state = found
        rows = int(np.searchsorted(self.days.day, day))
        for of_judged, values in state["judged"].items():
            getattr(self.judged, of_judged)[..., :rows] = values
        self.learning.restore(state["learning"], rows)
        self.ewma, self.effect_models = state["ewma"], state["effects"]
        return rows

    def _judge_day(self, rows: slice) -> tuple[Floats, Floats]:
        """Chart one day; return the variance of each row and its clipped level to learn from."""
        unit, group_number = self.days.unit[rows], self.days.group_number[rows]
        if self.days.between_due[rows].any():
            self.learning.estimate_between(unit[self.days.between_due[rows]])
        variance = (
            self.learning.shrunken_within(unit) / self.days.n[rows] + self.learning.between[unit]
        )
        weight, total = self.learning.history[:, self.days.mean_row[rows]]
        level = total / weight
        added = self.learning.service_shifts.added_variance(self.days.events[:, rows], group_number)
        self.learning.memory[rows] = remaining_weight(weight, added)
        weight = weight * self.learning.memory[rows]
        self.judged.variance[rows] = variance
        sd = np.sqrt(variance + 1.0 / weight)
        for g, people in self.learning.person_models.items():
            first, last = np.searchsorted(group_number, (g, g + 1)) + rows.start
            self.judged.person_effect[first:last] = people.offset(slice(first, last))
        residual = self.days.y[rows] - level - self.judged.person_effect[rows]
        for g in self.effect_models:
            first, last = np.searchsorted(group_number, (g, g + 1))
            group_rows = slice(rows.start + first, rows.start + last)
            self._estimate_common_effect(g, group_rows, residual[first:last], sd[first:last] ** 2)
        residual -= self.judged.common_effect[1, rows]
        z = _normal_score(residual / sd, self.days.df[rows])
        limit = self.days.plain_limit[:, rows] * self.learning.widening[group_number]
        step = ewma_step(self.ewma[:, unit], np.array([z, -z]), LAMBDA, limit, sided="one")
        self.ewma[:, unit] = step.state
        self.judged.alarm[:, rows] = step.signal > 0
        self.learning.learned[rows] *= ~self.judged.alarm[:, rows].any(axis=0)
        self.judged.level[rows], self.judged.sd[rows], self.judged.z[rows] = level, sd, z
        self.judged.value[:, rows], self.judged.limit[:, rows] = step.value, limit * SETTLED_SD
        reach = np.sqrt(variance) * CLIP
        return variance, level + np.clip(residual, -reach, reach)

    def _estimate_common_effect(
        self, g: int, rows: slice, residual: Floats, variance: Floats
    ) -> None:
        """Estimate the day's common effect on the crew, and on crew and site together."""
        if rows.stop == rows.start:
            return
        splicer = self.days.splicer[rows]
        crew, site = self.effect_models[g]
        one_group = np.zeros(len(residual), dtype=np.int64)
        crew_effect = crew.estimate(residual, variance, splicer, one_group)
        site_effect = site.estimate(residual - crew_effect, variance, splicer, self.days.site[rows])
        self.judged.common_effect[:, rows] = crew_effect, crew_effect + site_effect

    def results(self) -> list[LossCharts]:
        """Charts of each group."""
        level = self.judged.level + self.judged.common_effect[1] + self.judged.person_effect
        low, expected, high = (
            self.days.center * ratio_of(level + sds * self.judged.sd) for sds in (-Z95, 0.0, Z95)
        )
        charted = np.where(
            self.days.plain_limit < NEVER, [self.judged.value, self.judged.limit], np.nan
        )
        up, down = charted.swapaxes(0, 1)
        columns = [
            self.judged.person_effect,
            *self.judged.common_effect,
            expected,
            low,
            high,
            self.judged.z,
            up[0],
            down[0],
            up[1],
            down[1],
        ]
        table = np.where(self.days.is_judged, columns, np.nan)
        ends = np.cumsum([group.included.sum() for group in self.days.groups])
        rows = np.split(self.days.place, ends[:-1])
        return [self._group_result(g, table, group_rows) for g, group_rows in enumerate(rows)]

    def _group_result(self, g: int, table: Floats, rows: Ints) -> LossCharts:
        """Charts of one group; `rows` are its included days, excluded days get missing values."""
        group = self.days.groups[g]
        chart_columns = np.full((len(CHART_COLUMNS), len(group.days)), np.nan)
        chart_columns[:, group.included] = table[:, rows]
        alarm = np.full(len(group.days), "", dtype=object)
        alarm[group.included] = np.where(
            self.judged.alarm[1, rows], "down", np.where(self.judged.alarm[0, rows], "up", "")
        )
        learning = np.zeros(len(group.days), dtype=bool)
        learning[group.included] = self.days.k[rows] < LAG_FROM
        total, capped, n = (
            group.days[name].to_numpy(dtype=np.float64) for name in ("total", "capped", "n")
        )
        charted = {
            **dict(zip(CHART_COLUMNS, chart_columns, strict=True)),
            "alarm": alarm, "learning": learning,
            "mean_db": total / n, "capped_mean_db": capped / n,
        }  # fmt: skip
        days = pd.concat([group.days, pd.DataFrame(charted)], axis=1)
        unit = np.flatnonzero(self.days.group_of_unit == g)
        size = self.days.size[unit]
        # the baseline in dB is that of the days in the mean
        row_unit = self.days.unit[rows]
        newest = self.days.row[np.cumsum(self.days.size) - 1]
        lagging = (self.days.size >= LAG_FROM) & (
            self.days.days_since_event[newest] >= LAG_SUSPENDED_DAYS
        )
        last = np.where(lagging, self.days.size - LAG_DAYS, self.days.size)[row_unit]
        used = self.learning.learned[rows] * (self.days.k[rows] < last)
        loss, count = (
            np.bincount(row_unit, used * values[group.included], len(self.days.size))[unit]
            for values in (total, n)
        )
        known = (size >= CALIBRATION_DAYS) & (count > 0)
        within = self.learning.shrunken_within(unit)
        judged = size > CALIBRATION_DAYS
        units = group.names.assign(
            n_days=size,
            baseline_db=np.where(known, loss / np.maximum(count, 1.0), np.nan),
            sd_within=np.where(judged, np.sqrt(within), np.nan),
            sd_between=np.where(judged, np.sqrt(self.learning.between[unit]), np.nan),
        )
        return LossCharts(
            days,
            units,
            float(self.learning.pooled_between[g]),
            float(self.learning.pooled()[g]),
            float(self.learning.lags[g, 0]),
            float(self.learning.widening[g]),
            {
                action: (float(np.sqrt(variance)), int(events))
                for action, variance, events in zip(
                    RESTART_ACTIONS,
                    self.learning.service_shifts.variance[:, g],
                    self.learning.service_shifts.events[:, g],
                    strict=True,
                )
            },
            (*self.learning.months[g], self.learning.learned_variances(g, END, len(self.days.day))),
        )
