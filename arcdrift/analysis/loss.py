"""The level of a day's splice loss, charted per stream under the crew's false-alarm budget.

The same charts follow whatever else has a mean and a scatter each day: the spread of a day's
losses, or the losses of a splicer, a person, a site. All units advance together on the crew's
calendar, one day at a time, so that everything a chart uses (its baseline, the between-day
variance pooled over the crew, the day-to-day correlation, the pace that turns the budget into a
limit) is known from earlier days only. The loop runs over days; each step is vectorized over
units.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri, stdtr

from arcdrift.analysis.loss_days import CALIBRATION_DAYS
from arcdrift.analysis.shared_days import SharedEffect
from arcdrift.charts.ewma import ewma_step
from arcdrift.charts.limits import ewma_limit

LAMBDA = 0.2
CLIP = 2.5  # standard deviations an innovation may move the mean
LAG_FROM = 40  # days of history from which the mean lags
LAG_DAYS = 10
MONTH = 22  # workdays
PRIOR_BETWEEN = 0.10**2
"""Between-day variance assumed before the crew has shown its own (middle of the studied 5-15 %)."""
PRIOR_WITHIN = 1.0
"""Squared coefficient of variation of one capped splice before the crew has shown its own."""
PSEUDO_DAYS = 20.0
LAGS = 8
"""Days of memory looked at: people stay on a splicer for a week or so, and weather for days."""
LAG_PSEUDO_DAYS = 200.0
WIDEST = 2.0
SHORTEST_RUN = 10.0
"""Days between false alarms below which a chart says nothing; a budget asks for no less."""
Z95 = 1.959964
STREAM = ("splicer", "program", "segment")

CHART_COLUMNS = (
    "crew_effect",
    "shared_effect",
    "expected_db",
    "low_db",
    "high_db",
    "z",
    "ewma_up",
    "ewma_down",
    "limit_up",
    "limit_down",
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class LossCharts:
    """Every stream's chart.

    Attributes
    ----------
    days : DataFrame
        The input days plus ``mean_db``, ``capped_mean_db``, ``expected_db``, ``low_db``,
        ``high_db`` (95 % prediction interval of the capped day mean), ``z``, ``ewma_up``,
        ``ewma_down``, ``limit_up``, ``limit_down``, ``alarm`` (``""``, ``"up"``, ``"down"``),
        ``learning``; ``crew_effect`` and ``shared_effect``, what the day did to all of the crew,
        and to all of the site too, on the scale of `relative_level`. The expectation has the
        shared effect in it.
    units : DataFrame
        One row a unit: ``baseline_db``, ``sd_within``, ``sd_between``, ``n_days``.
    between, within, lag1 : float
        The crew's pooled between-day and within-day relative variance and lag-1 correlation of
        z, as known at the end.
    widening : float
        Factor on the limits for what days have in common with the days before them, at the end.
    """

    days: pd.DataFrame
    units: pd.DataFrame
    between: float
    within: float
    lag1: float
    widening: float


def relative_level(ratio: Floats) -> Floats:
    """Cube-root scale of a day mean relative to its baseline: y = 3 (r^(1/3) - 1).

    Near r = 1 it moves like r itself; it takes the skewness out of a mean of gamma-like losses
    (Wilson and Hilferty's cube root, 1931, from memory).
    """
    return 3.0 * (np.cbrt(ratio) - 1.0)


def ratio_of(level: Floats) -> Floats:
    """Inverse of `relative_level`."""
    return np.maximum(1.0 + level / 3.0, 0.0) ** 3


def without_effect(expected: Floats, effect: Floats) -> Floats:
    """Expected losses before a day's shared effect, on the scale of `relative_level`, was added."""
    return np.asarray((np.cbrt(expected) / (1.0 + effect / 3.0)) ** 3, dtype=np.float64)


def chart_losses(
    days: pd.DataFrame,
    budget_up: float,
    budget_down: float | None,
    *,
    keys: Sequence[str] = STREAM,
    shared: bool = False,
) -> LossCharts:
    """Chart every unit's days.

    Parameters
    ----------
    days : DataFrame
        From `arcdrift.analysis.loss_days.loss_days`, all splicers together. Where there is a
        column ``excluded``, its days are neither judged nor learned from; where there is a
        column ``frozen``, its days are judged, and leave the baseline as it is.
    budget_up, budget_down : float
        False alarms a month (22 workdays) the whole crew tolerates from all upper and all lower
        charts together; None for no lower charts.
    keys : sequence of str
        Columns that make a unit.
    shared : bool
        Take out what a day does to everybody (`arcdrift.analysis.shared_days`); needs the
        columns ``splicer`` and ``site``.

    Notes
    -----
    z is one step ahead: the day's y less the mean of earlier days (innovations clipped at 2.5
    sigma, alarmed days left out, lagging 10 days once 40 exist), over the root of
    within/n + between + the mean's own variance. One-sided EWMA, lambda 0.2, reset at an alarm;
    limit L sqrt(lambda/(2-lambda)), widened by the root of 1 + 2 sum_k rho_k (1-lambda)^k, the
    growth of the variance of an EWMA of values with autocorrelations rho_k, pooled over the crew.
    L gives the run length (active stream-days a month)/budget (Brook and Evans 1972).
    """
    days = days.sort_values(["day", *keys], ignore_index=True)
    out = days["excluded"].to_numpy(dtype=bool) if "excluded" in days else np.zeros(len(days), bool)
    kept = days[~out].reset_index(drop=True)
    clock = _Clock(kept, budget_up, budget_down, keys, shared)
    codes = pd.factorize(kept["day"])[0]
    edges = [*np.flatnonzero(np.diff(codes, prepend=-1)), len(kept)]
    for first, last in pairwise(edges):
        clock.advance(slice(int(first), int(last)))
    return clock.result(days[out], keys)


def _normal(t: Floats, df: Floats) -> Floats:
    """Standard normal values as rare as Student's t: the variance is itself an estimate."""
    tail = np.clip(stdtr(df, -np.abs(t)), 1e-300, 0.5)
    return np.copysign(np.asarray(-ndtri(tail), dtype=np.float64), t)


class _Clock:
    """State of every unit while the crew's calendar advances."""

    def __init__(
        self,
        days: pd.DataFrame,
        budget_up: float,
        budget_down: float | None,
        keys: Sequence[str],
        shared: bool,
    ) -> None:
        self.days = days
        self.budgets = {"up": budget_up, "down": budget_down}
        groups = days.groupby(list(keys), sort=True)
        self.unit: Ints = np.asarray(groups.ngroup(), dtype=np.int64)
        self.unit_keys = groups.size().index
        count = len(self.unit_keys)
        longest = int(groups.size().max()) if count else 0
        self.frozen = (
            days["frozen"].to_numpy(dtype=bool) if "frozen" in days else np.zeros(len(days), bool)
        )
        self.crew: SharedEffect | None = SharedEffect() if shared else None
        self.site: SharedEffect | None = SharedEffect() if shared else None
        if shared:
            self.owner = pd.factorize(days["splicer"])[0].astype(np.int64)
            self.place = pd.factorize(days["site"].fillna(""))[0].astype(np.int64)
        self.n = days["n"].to_numpy(dtype=float)
        self.total = days["total"].to_numpy(dtype=float)
        self.capped = days["capped"].to_numpy(dtype=float)
        self.squares = days["capped_squares"].to_numpy(dtype=float)

        self.k = np.zeros(count, dtype=np.int64)  # days seen
        # capped dB and splices of each calibration day
        self.early = np.zeros((2, count, CALIBRATION_DAYS))
        self.center = np.full(count, np.nan)  # capped mean of the calibration days
        # running sums by ordinal day, so that the mean can lag: weight, weight x level, dB, n
        self.history = np.zeros((4, count, longest + 1))
        self.within_ss = np.zeros(count)
        self.within_df = np.zeros(count)
        self.level_sums = np.zeros((4, count))  # days, sum y, sum y^2, sum within/n
        self.between = np.full(count, PRIOR_BETWEEN)
        self.estimated_at = np.full(count, -1, dtype=np.int64)
        self.ewma = {"up": np.zeros(count), "down": np.zeros(count)}
        self.recent_z = np.full((LAGS, count), np.nan)  # the latest first
        self.lag_sums = np.zeros((2, LAGS))  # sum z z', sum z^2, by lag
        self.lags = np.zeros(LAGS)
        self.widening = 1.0
        self.crew_between = PRIOR_BETWEEN
        self.active: list[int] = []
        self.limits = {"up": np.inf, "down": np.inf}
        self.out: dict[str, Floats] = {name: np.full(len(days), np.nan) for name in CHART_COLUMNS}
        self.alarm = np.full(len(days), "", dtype=object)
        self.learning = np.ones(len(days), dtype=bool)

    def advance(self, rows: slice) -> None:
        """Take one crew day: judge it on the past, then learn from it."""
        if len(self.active) % MONTH == 0:
            self._month()
        unit = self.unit[rows]
        self.active.append(len(unit))
        n, mean = self.n[rows], self.capped[rows] / self.n[rows]
        ready = self.k[unit] >= CALIBRATION_DAYS
        alarmed = np.zeros(len(unit), dtype=bool)
        value = np.zeros(len(unit))
        weight = np.zeros(len(unit))
        if ready.any():
            position = np.flatnonzero(ready) + rows.start
            judged = self._judge(unit[ready], position, n[ready], mean[ready])
            alarmed[ready], value[ready], weight[ready] = judged
        self._learn(unit, rows, n, ready, alarmed, value, weight)

    # -- judging -----------------------------------------------------------------------------

    def _judge(
        self, unit: Ints, position: Ints, n: Floats, mean: Floats
    ) -> tuple[npt.NDArray[np.bool_], Floats, Floats]:
        self._estimate_between(unit)
        center = self.center[unit]
        y = relative_level(mean / center)
        within = self._within(unit)
        variance = within / n + self.between[unit]
        upto = np.where(self.k[unit] >= LAG_FROM, self.k[unit] - LAG_DAYS, self.k[unit])
        total_weight = self.history[0, unit, upto]
        level = self.history[1, unit, upto] / total_weight
        sd = np.sqrt(variance + 1.0 / total_weight)
        crew, shared = self._shared(position, y - level, sd**2)
        y = y - shared
        z = _normal((y - level) / sd, (self.k[unit] - 1.0 + PSEUDO_DAYS).astype(np.float64))
        self._note_lag(unit, z)

        out, scale = self.out, np.sqrt(LAMBDA / (2 - LAMBDA))
        out["crew_effect"][position], out["shared_effect"][position] = crew, shared
        out["expected_db"][position] = center * ratio_of(level + shared)
        out["low_db"][position] = center * ratio_of(level + shared - Z95 * sd)
        out["high_db"][position] = center * ratio_of(level + shared + Z95 * sd)
        out["z"][position] = z
        self.learning[position] = self.k[unit] < LAG_FROM
        hit = np.zeros(len(unit), dtype=bool)
        for side, sign in (("up", 1.0), ("down", -1.0)):
            if self.budgets[side] is None:
                continue
            limit = self.limits[side] * self.widening
            step = ewma_step(self.ewma[side][unit], sign * z, LAMBDA, limit, sided="one")
            over = step.signal > 0
            out[f"ewma_{side}"][position] = step.value
            out[f"limit_{side}"][position] = limit * scale
            self.alarm[position[over]] = side
            self.ewma[side][unit] = step.state
            hit |= over
        reach = np.sqrt(variance) * CLIP
        self.recent_z[1:, unit] = self.recent_z[:-1, unit]
        self.recent_z[0, unit] = np.where(hit, np.nan, z)
        return hit, level + np.clip(y - level, -reach, reach), 1.0 / variance

    def _shared(self, position: Ints, left: Floats, variance: Floats) -> tuple[Floats, Floats]:
        """What the day did to the crew, and to crew and site together, for each row."""
        if self.crew is None or self.site is None:
            return np.zeros(len(left)), np.zeros(len(left))
        owner = self.owner[position]
        crew = self.crew.of(left, variance, owner, np.zeros(len(left), dtype=np.int64))
        _, place = np.unique(self.place[position], return_inverse=True)
        site = self.site.of(left - crew, variance, owner, place.astype(np.int64))
        return crew, crew + site

    def _within(self, unit: Ints) -> Floats:
        """Relative variance of one capped splice, shrunken to the crew's."""
        own = self._relative_within()
        crew = self._crew_within(own)
        df = self.within_df[unit]
        shrunk: Floats = (PSEUDO_DAYS * crew + df * own[unit]) / (PSEUDO_DAYS + df)
        return shrunk

    def _relative_within(self) -> Floats:
        with np.errstate(invalid="ignore", divide="ignore"):
            own = self.within_ss / self.within_df / self.center**2
        return np.where(np.isfinite(own), own, PRIOR_WITHIN)

    def _crew_within(self, own: Floats) -> float:
        known = (self.k >= CALIBRATION_DAYS) & (self.within_df > 0) & (self.center > 0)
        df = np.where(known, self.within_df, 0.0)
        return (PSEUDO_DAYS * PRIOR_WITHIN + float(own @ df)) / (PSEUDO_DAYS + float(df.sum()))

    def _note_lag(self, unit: Ints, z: Floats) -> None:
        before = np.clip(self.recent_z[:, unit], -3, 3)
        products = np.nan_to_num(before * np.clip(z, -3, 3))
        self.lag_sums += [products.sum(axis=1), np.nan_to_num(before**2).sum(axis=1)]

    # -- learning ----------------------------------------------------------------------------

    def _learn(
        self,
        unit: Ints,
        rows: slice,
        n: Floats,
        ready: npt.NDArray[np.bool_],
        alarmed: npt.NDArray[np.bool_],
        value: Floats,
        weight: Floats,
    ) -> None:
        k = self.k[unit]
        calibrating = ~ready
        young = unit[calibrating]
        self.early[0, young, k[calibrating]] = self.capped[rows][calibrating]
        self.early[1, young, k[calibrating]] = n[calibrating]

        keep = ~alarmed & ~self.frozen[rows]
        kept = unit[keep]
        mean = self.capped[rows] / n
        self.within_ss[kept] += np.maximum(self.squares[rows] - n * mean**2, 0.0)[keep]
        self.within_df[kept] += n[keep] - 1.0
        self.history[:, unit, k + 1] = self.history[:, unit, k]
        learned = keep & ready
        self.history[0, unit[learned], k[learned] + 1] += weight[learned]
        self.history[1, unit[learned], k[learned] + 1] += (weight * value)[learned]
        self.history[2, kept, k[keep] + 1] += self.total[rows][keep]
        self.history[3, kept, k[keep] + 1] += n[keep]
        y = relative_level(mean[learned] / self.center[unit[learned]])
        y = y - self.out["shared_effect"][rows][learned]
        self._count_levels(unit[learned], y, n[learned])
        self.k[unit] = k + 1
        ripe = unit[calibrating & (k + 1 == CALIBRATION_DAYS)]
        if len(ripe):
            self._calibrate(ripe)

    def _count_levels(self, unit: Ints, y: Floats, n: Floats) -> None:
        within = self._relative_within()[unit]
        self.level_sums[:, unit] += np.stack([np.ones(len(unit)), y, y**2, within / n])

    def _calibrate(self, units: Ints) -> None:
        """Turn the calibration days into a center and the first entries of the history."""
        capped, splices = self.early[:, units]
        # a stream of nothing but zeros has no ratio; half a resolution step keeps it finite
        self.center[units] = np.maximum(capped.sum(axis=1) / splices.sum(axis=1), 0.005)
        for day in range(CALIBRATION_DAYS):
            n = splices[:, day]
            y = relative_level(capped[:, day] / n / self.center[units])
            weight = 1.0 / (self._within(units) / n + self.crew_between)
            self.history[0, units, day + 1 :] += weight[:, None]
            self.history[1, units, day + 1 :] += (weight * y)[:, None]
            self._count_levels(units, y, n)

    # -- the crew's month --------------------------------------------------------------------

    def _month(self) -> None:
        """Widen the limits for what days have in common with the days before them."""
        products, squares = self.lag_sums
        self.lags = products / (squares + LAG_PSEUDO_DAYS)
        shared = 2.0 * float(self.lags @ (1 - LAMBDA) ** np.arange(1, LAGS + 1))
        self.widening = float(np.clip(np.sqrt(1.0 + max(shared, 0.0)), 1.0, WIDEST))

    def _pace(self) -> float:
        """Stream-days the crew chalks up in a month, from the last month."""
        recent = self.active[-MONTH:]
        return MONTH * sum(recent) / len(recent)

    def _estimate_between(self, unit: Ints) -> None:
        """Between-day variance by empirical Bayes, for units new to it or a month older."""
        self._set_limits()
        known = self.estimated_at[unit]
        due = unit[(known < 0) | (self.k[unit] >= known + MONTH)]
        if not len(due):
            return
        days, total, squares, within = self.level_sums
        with np.errstate(invalid="ignore", divide="ignore"):
            spread = (squares - total**2 / days) / (days - 1)
            own = spread - within / days
        df = np.where(days >= CALIBRATION_DAYS, days - 1, 0.0)
        own = np.where(df > 0, own, 0.0)
        crew = (PSEUDO_DAYS * PRIOR_BETWEEN + float(df @ own)) / (PSEUDO_DAYS + float(df.sum()))
        self.crew_between = max(crew, 0.0)
        shrunk = (PSEUDO_DAYS * self.crew_between + df * own) / (PSEUDO_DAYS + df)
        self.between[due] = np.maximum(shrunk[due], 0.0)
        self.estimated_at[due] = self.k[due]

    def _set_limits(self) -> None:
        pace = self._pace()
        for side, budget in self.budgets.items():
            if budget is None:
                continue
            wanted = max(pace / budget, SHORTEST_RUN)
            # three significant digits: the same limit is then found once, not every day
            self.limits[side] = ewma_limit(LAMBDA, float(f"{wanted:.3g}"), sided="one")

    # -- results -----------------------------------------------------------------------------

    def result(self, excluded: pd.DataFrame, keys: Sequence[str]) -> LossCharts:
        """Collect the charts, and put back the days left out."""
        days = self.days.assign(**self.out, alarm=self.alarm, learning=self.learning)
        if len(excluded):
            bare = excluded.assign(**dict.fromkeys(self.out, np.nan), alarm="", learning=False)
            days = pd.concat([days, bare]).sort_values(["day", *keys], ignore_index=True)
        for name, total in (("mean_db", "total"), ("capped_mean_db", "capped")):
            days[name] = days[total].to_numpy(dtype=np.float64) / days["n"].to_numpy(np.float64)
        last = np.where(self.k >= LAG_FROM, self.k - LAG_DAYS, self.k)
        index = np.arange(len(self.k))
        with np.errstate(invalid="ignore", divide="ignore"):
            baseline = self.history[2, index, last] / self.history[3, index, last]
        judged = self.k > CALIBRATION_DAYS
        units = self.unit_keys.to_frame(index=False).assign(
            n_days=self.k,
            baseline_db=np.where(self.k >= CALIBRATION_DAYS, baseline, np.nan),
            sd_within=np.where(judged, np.sqrt(self._within(index)), np.nan),
            sd_between=np.where(judged, np.sqrt(self.between), np.nan),
        )
        return LossCharts(
            days,
            units,
            self.crew_between,
            self._crew_within(self._relative_within()),
            float(self.lags[0]),
            self.widening,
        )
