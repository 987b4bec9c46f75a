"""Charts of the days of many units, under the crew's false-alarm budget.

All units advance together on the crew's calendar, one day at a time, so that everything a chart
uses (its baseline, the between-day variance pooled over its kind, the day-to-day correlation, the
pace that turns the budget into a limit) is known from earlier days only. The loop runs over days;
each step is vectorized over units of all kinds, and what does not depend on alarms is worked out
for all days before.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtr

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.analysis.common.grouping import group_index
from arcdrift.analysis.loss.common_day_effect import SharedEffect
from arcdrift.analysis.loss.day_level import (
    CHART_COLUMNS,
    CLIP,
    LAG_DAYS,
    LAG_FROM,
    LAMBDA,
    PSEUDO_DAYS,
    SHORTEST_RUN,
    STREAM,
    LossCharts,
    Units,
    ratio_of,
    relative_level,
)
from arcdrift.analysis.loss.stream_days import CALIBRATION_DAYS
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.ewma import ewma_step
from arcdrift.charts.intervals import Z95
from arcdrift.charts.limits import ewma_limits

PRIOR_BETWEEN = 0.10**2
"""Between-day variance assumed before the crew has shown its own (middle of the studied 5-15 %)."""
PRIOR_WITHIN = 1.0
"""Squared coefficient of variation of one capped splice before the crew has shown its own."""
LAGS = 8
"""Days of memory looked at: people stay on a splicer for a week or so, and weather for days."""
LAG_PSEUDO_DAYS = 200.0
WIDEST = 2.0
NEVER = 1e9
"""Limit of a chart that gives no alarms."""
SETTLED = float(np.sqrt(LAMBDA / (2 - LAMBDA)))


def chart_losses(
    days: pd.DataFrame,
    budget_up: float,
    budget_down: float | None,
    *,
    keys: Sequence[str] = STREAM,
    shared: bool = False,
) -> LossCharts:
    """Chart units of one kind: `chart_together` with the attributes of `Units`."""
    return chart_together([Units(days, budget_up, budget_down, keys, shared)])[0]


def chart_together(kinds: Sequence[Units]) -> list[LossCharts]:
    """Chart units of several kinds in one pass over the days; no kind learns from another.

    Notes
    -----
    z is one step ahead: the day's y less the mean of earlier days (innovations clipped at 2.5
    sigma, alarmed days left out, lagging 10 days once 40 exist), over the root of
    within/n + between + the mean's own variance. One-sided EWMA, lambda 0.2, reset at an alarm;
    limit L sqrt(lambda/(2-lambda)), widened by the root of 1 + 2 sum_k rho_k (1-lambda)^k, the
    growth of the variance of an EWMA of values with autocorrelations rho_k, pooled over the kind.
    L gives the run length (active stream-days a month)/budget (Brook and Evans 1972).
    """
    clock = _Clock([_sorted(kind) for kind in kinds])
    clock.run()
    return clock.results()


@dataclass(frozen=True)
class _Sorted:
    """Rows of one kind in order of day and keys, which are kept, and the unit of each kept one."""

    kind: Units
    days: pd.DataFrame
    kept: Bools
    unit: Ints
    names: pd.DataFrame


def _sorted(kind: Units) -> _Sorted:
    keys = list(kind.keys)
    code, _ = group_index(*(kind.days[name] for name in keys))
    order = np.lexsort((code, _stamps(kind.days["day"])))
    days, code = kind.days.take(order).reset_index(drop=True), code[order]
    kept = ~_flag(days, "excluded")
    _, first, unit = np.unique(code[kept], return_index=True, return_inverse=True)
    names = days.loc[kept, keys].iloc[first].reset_index(drop=True)
    return _Sorted(kind, days, kept, unit.astype(np.int64), names)


def _stamps(day: pd.Series) -> Ints:
    return day.to_numpy(dtype="datetime64[us]").astype(np.int64)


def _flag(days: pd.DataFrame, name: str) -> Bools:
    return days[name].to_numpy(dtype=bool) if name in days else np.zeros(len(days), dtype=bool)


def _limits(day: Ints, judged: Bools, budget: float, pace: pd.Series | None) -> Floats:
    """Limit of each row, whose days are in order, at the pace of the month up to its day."""
    days, first, code = np.unique(day, return_index=True, return_inverse=True)
    worked, made = days, np.diff(first, append=len(day))
    if pace is not None:
        worked, made = _stamps(pace.index.to_series()), pace.to_numpy()
    total = np.cumsum([0, *made])
    upto = np.searchsorted(worked, days, side="right")
    recent = np.minimum(upto, WORKDAYS_PER_MONTH)
    monthly = WORKDAYS_PER_MONTH * (total[upto] - total[upto - recent]) / recent
    used = np.unique(code[judged])
    # three significant digits, as much as the pace of a month can tell
    wanted = [float(f"{one:.3g}") for one in np.maximum(monthly[used] / budget, SHORTEST_RUN)]
    found = np.full(len(first), NEVER)
    found[used] = ewma_limits(LAMBDA, wanted, sided="one")
    return np.asarray(found[code], dtype=np.float64)


def _normal(t: Floats, df: Floats) -> Floats:
    """Standard normal values as rare as Student's t: the variance is itself an estimate."""
    tail = np.clip(stdtr(df, -np.abs(t)), 1e-300, 0.5)
    return np.copysign(np.asarray(-ndtri(tail), dtype=np.float64), t)


class _Clock:
    """Rows of all kinds in order of day, and the state of every unit while the days pass.

    Within a day the rows that can be judged come first, one kind after another. Attributes
    have one entry a row where they do not say otherwise.
    """

    def __init__(self, kinds: list[_Sorted]) -> None:
        self.kinds = kinds
        frames = [one.days[one.kept] for one in kinds]
        kind = np.repeat(np.arange(len(kinds)), [len(frame) for frame in frames])
        offset = np.cumsum([0, *(len(one.names) for one in kinds)])
        unit = np.concatenate([one.unit + offset[g] for g, one in enumerate(kinds)])
        day = np.concatenate([_stamps(frame["day"]) for frame in frames])
        self.size = np.bincount(unit, minlength=offset[-1])  # days of each unit
        start = np.cumsum(self.size) - self.size
        k = np.empty(len(unit), dtype=np.int64)
        k[np.lexsort((day, unit))] = np.arange(len(unit)) - np.repeat(start, self.size)
        judged = k >= CALIBRATION_DAYS
        base = np.full((2, len(unit)), NEVER)
        self.months: dict[int, list[int]] = {}  # first days of each kind's months
        for g, one in enumerate(kinds):
            mine = kind == g
            for side, budget in enumerate((one.kind.budget_up, one.kind.budget_down)):
                if budget is not None:
                    base[side, mine] = _limits(day[mine], judged[mine], budget, one.kind.pace)
            for stamp in np.unique(day[mine])[::WORKDAYS_PER_MONTH].tolist():
                self.months.setdefault(stamp, []).append(g)

        order = self.order = np.lexsort((kind, ~judged, day))
        self.kind, self.day, self.judged = kind[order], day[order], judged[order]
        self.unit, self.k, self.base = unit[order], k[order], base[:, order]
        self.free = 1.0 - np.concatenate([_flag(frame, "frozen") for frame in frames])[order]
        self.n, capped, squares = (
            np.concatenate([frame[name].to_numpy(dtype=np.float64) for frame in frames])[order]
            for name in ("n", "capped", "capped_squares")
        )
        # the row of each unit's day: of the day before, and of the last one the mean looks at
        self.row, self.start = np.lexsort((self.k, self.unit)), start[self.unit]
        upto = np.where(self.k >= LAG_FROM, self.k - LAG_DAYS, self.k)
        self.before, self.past = (
            self.row[self.start + np.maximum(last - 1, 0)] for last in (self.k, upto)
        )
        self.df = np.asarray(self.k - 1.0 + PSEUDO_DAYS, dtype=np.float64)
        self.due = self.judged & ((self.k - CALIBRATION_DAYS) % WORKDAYS_PER_MONTH == 0)
        # the center of a unit is the capped mean of its calibration days; a stream of nothing
        # but zeros has no ratio, and half a resolution step keeps it finite
        young, made = (
            np.bincount(self.unit, np.where(self.judged, 0.0, values), offset[-1])
            for values in (capped, self.n)
        )
        self.center = np.maximum(young / made, 0.005)[self.unit]
        mean = capped / self.n
        self.y = relative_level(mean / self.center)
        self.squares = np.maximum(squares - self.n * mean**2, 0.0) / self.center**2

        self.owner, self.place = (self._codes(frames, name)[order] for name in ("splicer", "site"))
        self.effects = {
            g: (SharedEffect(), SharedEffect()) for g, one in enumerate(kinds) if one.kind.shared
        }
        self.mine = [np.flatnonzero(self.judged & (self.kind == g)) for g in range(len(kinds))]
        self.seen = np.zeros(len(kinds), dtype=np.int64)  # kinds: rows whose lags were counted
        self.kind_of_unit = np.repeat(np.arange(len(kinds)), np.diff(offset))
        self.within = np.zeros((2, offset[-1]))  # units: sum of squares, degrees of freedom
        self.levels = np.zeros((4, offset[-1]))  # units: days, sum y, sum y^2, sum within/n
        self.between = np.full(offset[-1], PRIOR_BETWEEN)  # units
        self.ewma = np.zeros((2, offset[-1]))  # units
        self.pooled_within = np.zeros((2, len(kinds)))  # kinds, of units past calibration
        self.pooled_between = np.full(len(kinds), PRIOR_BETWEEN)  # kinds
        self.lag_sums = np.zeros((len(kinds), 2, LAGS))  # kinds: sum z z', sum z^2, by lag
        self.lags = np.zeros((len(kinds), LAGS))  # kinds
        self.widening = np.ones(len(kinds))  # kinds
        self.history = np.zeros((2, len(unit)))  # sums after the day: weight, weight x level
        self.keep = self.free.copy()
        self.shared = np.zeros((2, len(unit)))  # what the day did to the crew; to the site too
        self.level, self.sd, self.z = np.full((3, len(unit)), np.nan)
        self.value, self.limit = np.full((2, 2, len(unit)), np.nan)
        self.over = np.zeros((2, len(unit)), dtype=bool)

    def _codes(self, frames: list[pd.DataFrame], name: str) -> Ints:
        """Number of a text in each row; one for all where days do nothing to everybody."""
        words = [
            frame[name].fillna("").astype(str) if one.kind.shared else pd.Series("", frame.index)
            for one, frame in zip(self.kinds, frames, strict=True)
        ]
        return pd.factorize(pd.concat(words))[0].astype(np.int64)

    def run(self) -> None:
        """Judge each day on the days before it, then learn from it."""
        edges = [*np.flatnonzero(np.diff(self.day, prepend=-1)).tolist(), len(self.day)]
        judged = np.cumsum([0, *self.judged])
        for first, last in pairwise(edges):
            for g in self.months.get(int(self.day[first]), ()):
                self._widen(g, first)
            today = slice(first, first + int(judged[last] - judged[first]))
            told = self._judge(today) if today.stop > first else None
            self._learn_within(slice(first, last), today)
            if told is not None:
                self._learn_levels(today, *told)
            if last > today.stop:
                self._calibrate(slice(today.stop, last))

    # -- judging -----------------------------------------------------------------------------

    def _judge(self, rows: slice) -> tuple[Floats, Floats]:
        """Find the day's alarms; the variance of each row, and the level to be learned from it."""
        unit, kind = self.unit[rows], self.kind[rows]
        if self.due[rows].any():
            self._estimate_between(unit[self.due[rows]])
        variance = self._shrunken_within(unit) / self.n[rows] + self.between[unit]
        weight, total = self.history[:, self.past[rows]]
        level = total / weight
        sd = np.sqrt(variance + 1.0 / weight)
        left = self.y[rows] - level
        for g in self.effects:
            first, last = np.searchsorted(kind, (g, g + 1))
            mine = slice(rows.start + first, rows.start + last)
            self._share(g, mine, left[first:last], sd[first:last] ** 2)
        left -= self.shared[1, rows]
        z = _normal(left / sd, self.df[rows])
        limit = self.base[:, rows] * self.widening[kind]
        step = ewma_step(self.ewma[:, unit], np.stack([z, -z]), LAMBDA, limit, sided="one")
        self.ewma[:, unit] = step.state
        self.over[:, rows] = step.signal > 0
        self.keep[rows] *= ~self.over[:, rows].any(axis=0)
        self.level[rows], self.sd[rows], self.z[rows] = level, sd, z
        self.value[:, rows], self.limit[:, rows] = step.value, limit * SETTLED
        reach = np.sqrt(variance) * CLIP
        return variance, level + np.clip(left, -reach, reach)

    def _share(self, kind: int, rows: slice, left: Floats, variance: Floats) -> None:
        """Tell what the day did to the crew, and to crew and site together."""
        if rows.stop == rows.start:
            return
        owner = self.owner[rows]
        crew, site = self.effects[kind]
        everyone = np.zeros(len(left), dtype=np.int64)
        self.shared[0, rows] = crew.of(left, variance, owner, everyone)
        rest = site.of(left - self.shared[0, rows], variance, owner, self.place[rows])
        self.shared[1, rows] = self.shared[0, rows] + rest

    def _pooled(self) -> Floats:
        """Relative variance of one capped splice, pooled over the units of each kind."""
        squares, df = self.pooled_within
        pooled: Floats = (PSEUDO_DAYS * PRIOR_WITHIN + squares) / (PSEUDO_DAYS + df)
        return pooled

    def _shrunken_within(self, unit: Ints) -> Floats:
        """Relative variance of one capped splice, shrunken to that of its kind."""
        squares, df = self.within[:, unit]
        pooled = self._pooled()[self.kind_of_unit[unit]]
        shrunken: Floats = (PSEUDO_DAYS * pooled + squares) / (PSEUDO_DAYS + df)
        return shrunken

    def _own_within(self, unit: Ints) -> Floats:
        squares, df = self.within[:, unit]
        return np.where(df > 0, squares / np.maximum(df, 1.0), PRIOR_WITHIN)

    def _estimate_between(self, due: Ints) -> None:
        """Between-day variance by empirical Bayes, for units new to it or a month older."""
        days, total, squares, within = self.levels
        df = np.where(days >= CALIBRATION_DAYS, days - 1.0, 0.0)
        count = np.maximum(days, 2.0)
        own = (squares - total**2 / count) / (count - 1.0) - within / count
        own = np.where(df > 0, own, 0.0)
        kinds, of = len(self.kinds), self.kind_of_unit
        sums, weights = (np.bincount(of, values, kinds) for values in (df * own, df))
        pooled = (PSEUDO_DAYS * PRIOR_BETWEEN + sums) / (PSEUDO_DAYS + weights)
        mine = of[due]
        self.pooled_between[mine] = np.maximum(pooled, 0.0)[mine]
        shrunk = PSEUDO_DAYS * self.pooled_between[mine] + (df * own)[due]
        self.between[due] = np.maximum(shrunk / (PSEUDO_DAYS + df[due]), 0.0)

    def _widen(self, kind: int, first: int) -> None:
        """Widen the limits for what days have in common with the days before them.

        Takes in the month before row `first`; what lags behind it is found by the ordinal of each
        unit's days, alarmed ones left out.
        """
        rows = self.mine[kind]
        since, upto = np.searchsorted(rows, (self.seen[kind], first))
        rows = rows[since:upto]
        self.seen[kind] = first
        back = self.k[rows] - np.arange(1, LAGS + 1)[:, None]
        earlier = self.row[self.start[rows] + np.maximum(back, 0)]
        used = (back >= CALIBRATION_DAYS) & ~self.over[:, earlier].any(axis=0)
        before = np.where(used, np.clip(self.z[earlier], -3, 3), 0.0)
        products = before * np.clip(self.z[rows], -3, 3)
        self.lag_sums[kind] += [products.sum(axis=1), (before**2).sum(axis=1)]
        products, squares = self.lag_sums[kind]
        self.lags[kind] = products / (squares + LAG_PSEUDO_DAYS)
        shared = 2.0 * float(self.lags[kind] @ (1 - LAMBDA) ** np.arange(1, LAGS + 1))
        self.widening[kind] = np.clip(np.sqrt(1.0 + max(shared, 0.0)), 1.0, WIDEST)

    # -- learning ----------------------------------------------------------------------------

    def _learn_within(self, rows: slice, judged: slice) -> None:
        unit, keep = self.unit[rows], self.keep[rows]
        gained = keep * np.stack([self.squares[rows], self.n[rows] - 1.0])
        self.within[:, unit] += gained
        self._pool(self.kind[judged], gained[:, : judged.stop - judged.start])

    def _pool(self, kind: Ints, gained: Floats) -> None:
        for sums, values in zip(self.pooled_within, gained, strict=True):
            sums += np.bincount(kind, values, len(self.kinds))

    def _learn_levels(self, rows: slice, variance: Floats, value: Floats) -> None:
        unit, keep = self.unit[rows], self.keep[rows]
        weight = keep / variance
        self.history[:, rows] = self.history[:, self.before[rows]] + [weight, weight * value]
        y = self.y[rows] - self.shared[1, rows]
        within = self._own_within(unit) / self.n[rows]
        self.levels[:, unit] += keep * np.stack([np.ones(len(y)), y, y**2, within])

    def _calibrate(self, rows: slice) -> None:
        """Turn the calibration days of units that have them all into a first history."""
        ripe = np.flatnonzero(self.k[rows] == CALIBRATION_DAYS - 1) + rows.start
        if not len(ripe):
            return
        unit, kind = self.unit[ripe], self.kind[ripe]
        self._pool(kind, self.within[:, unit])
        within = self._shrunken_within(unit)
        early = self.row[self.start[ripe] + np.arange(CALIBRATION_DAYS)[:, None]]
        y, n = self.y[early], self.n[early]
        weight = 1.0 / (within / n + self.pooled_between[kind])
        self.history[:, early] = np.cumsum([weight, weight * y], axis=1)
        own = self._own_within(unit) / n
        self.levels[:, unit] += np.sum([np.ones(y.shape), y, y**2, own], axis=1)

    # -- results -----------------------------------------------------------------------------

    def results(self) -> list[LossCharts]:
        """Charts of each kind."""
        level = self.level + self.shared[1]
        low, expected, high = (
            self.center * ratio_of(level + sds * self.sd) for sds in (-Z95, 0.0, Z95)
        )
        up, down = np.where(self.base < NEVER, [self.value, self.limit], np.nan).swapaxes(0, 1)
        charted = [*self.shared, expected, low, high, self.z, up[0], down[0], up[1], down[1]]
        table = np.where(self.judged, charted, np.nan)
        place = np.empty(len(self.order), dtype=np.int64)
        place[self.order] = np.arange(len(place))
        ends = np.cumsum([one.kept.sum() for one in self.kinds])
        rows = np.split(place, ends[:-1])
        return [self._result(g, table, mine) for g, mine in enumerate(rows)]

    def _result(self, kind: int, table: Floats, rows: Ints) -> LossCharts:
        """Charts of one kind, whose kept days are `rows`; days left out get empty ones."""
        one = self.kinds[kind]
        told = np.full((len(CHART_COLUMNS), len(one.days)), np.nan)
        told[:, one.kept] = table[:, rows]
        alarm = np.full(len(one.days), "", dtype=object)
        alarm[one.kept] = np.where(
            self.over[1, rows], "down", np.where(self.over[0, rows], "up", "")
        )
        learning = np.zeros(len(one.days), dtype=bool)
        learning[one.kept] = self.k[rows] < LAG_FROM
        total, capped, n = (
            one.days[name].to_numpy(dtype=np.float64) for name in ("total", "capped", "n")
        )
        charted = {
            **dict(zip(CHART_COLUMNS, told, strict=True)), "alarm": alarm, "learning": learning,
            "mean_db": total / n, "capped_mean_db": capped / n,
        }  # fmt: skip
        days = pd.concat([one.days, pd.DataFrame(charted)], axis=1)
        unit = np.flatnonzero(self.kind_of_unit == kind)
        size = self.size[unit]
        # the baseline in dB is of the days the mean looks at
        mine = self.unit[rows]
        last = np.where(self.size >= LAG_FROM, self.size - LAG_DAYS, self.size)[mine]
        used = self.keep[rows] * (self.k[rows] < last)
        loss, count = (
            np.bincount(mine, used * values[one.kept], len(self.size))[unit]
            for values in (total, n)
        )
        known = (size >= CALIBRATION_DAYS) & (count > 0)
        within = self._shrunken_within(unit)
        judged = size > CALIBRATION_DAYS
        units = one.names.assign(
            n_days=size,
            baseline_db=np.where(known, loss / np.maximum(count, 1.0), np.nan),
            sd_within=np.where(judged, np.sqrt(within), np.nan),
            sd_between=np.where(judged, np.sqrt(self.between[unit]), np.nan),
        )
        return LossCharts(
            days,
            units,
            float(self.pooled_between[kind]),
            float(self._pooled()[kind]),
            float(self.lags[kind, 0]),
            float(self.widening[kind]),
        )
