"""Limit of each kind of chart under a false-alarm budget, and days until a rise gives an alarm."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import gamma as gamma_function
from scipy.special import gammainc, gammaincc

from arcdrift.analysis.arc.arc_drift import LAMBDA as ARC_LAMBDA
from arcdrift.analysis.arc.arc_drift import checks_per_month
from arcdrift.analysis.budget.replay_alarms import History
from arcdrift.analysis.budget.simulated_delays import (
    RISES,
    RUNS,
    DetectionDelay,
    alarm_lines,
    days_to_alarm,
    delays_at,
)
from arcdrift.analysis.checks.doubtful_checks import doubtful_limit
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, workdays_of
from arcdrift.analysis.loss.day_level import (
    CLIP,
    LAG_DAYS,
    LAG_FROM,
    LAMBDA,
    PSEUDO_DAYS,
    SHORTEST_RUN,
    relative_level,
)
from arcdrift.analysis.loss.loss_charts import ROLLED_EXCESS, SPREAD_EXCESS
from arcdrift.analysis.loss.proportion_charts import COUNTED
from arcdrift.analysis.loss.rollup import as_stream_subjects
from arcdrift.analysis.loss.stream_days import CALIBRATION_DAYS
from arcdrift.analysis.loss.technician_days import CAP_TO_MEAN
from arcdrift.analysis.people.cleave_angles.angle_ewma import EXCESS as ANGLE_EXCESS
from arcdrift.arrays import Bools, Floats
from arcdrift.charts.limits import ewma_limit, rounded_run_length
from arcdrift.shares import Shares

EXCESS = {"rolled_up": ROLLED_EXCESS, "scattered": SPREAD_EXCESS, "cleave": ANGLE_EXCESS}
"""Factor on the run length of charts that alarm more often than their limit says."""
SHIFTS = np.geomspace(0.25, 8.0, 36)
"""Simulated shifts, in standard deviations of a day; each stream takes the nearest."""
SHAPES = (0.3, 60.0)
"""Range of gamma shapes to choose from; the loss study had 0.7 to 2."""


@dataclass(frozen=True)
class ChartPlan:
    """One kind of chart under a budget.

    Attributes
    ----------
    name : str
        Field of `arcdrift.shares.Shares`.
    share, per_month : float
        Share of the budget, and the false alarms a month it allows.
    charts : int
        Charts in use during the last 22 workdays.
    pace : float
        Points plotted on all of them together in that time, per 22 workdays.
    run_length : float
        Points of a chart from one false alarm to the next.
    limit : float
        In standard deviations of the settled EWMA (of a forecast, for doubtful checks), before
        any widening; NaN for counts, whose limit depends on the count expected.
    """

    name: str
    share: float
    per_month: float
    charts: int
    pace: float
    run_length: float
    limit: float


def chart_plans(history: History, budget: float, shares: Shares) -> list[ChartPlan]:
    """Limits and run lengths of every kind of chart, at the pace of the last 22 workdays.

    Parameters
    ----------
    budget : float
        False alarms a month, all charts together.
    """
    subjects = history.subject_days
    streams = history.stream_days[~history.stream_days["excluded"].astype(bool)]
    streams = as_stream_subjects(streams)
    rolled = subjects[subjects["measure"] == "level"]
    spread = subjects[subjects["measure"] == "spread"]
    days_of = {
        "loss_raised": streams, "loss_lowered": streams, "rolled_up": rolled, "scattered": spread,
        "cleave": history.angle_days.rename(columns={"subject": "subject_id"}),
        **{name: subjects[subjects["measure"] == name] for name in COUNTED},
    }  # fmt: skip
    month = workdays_of(history.stream_days["day"])[-WORKDAYS_PER_MONTH:]
    plans = []
    for name, share in shares.model_dump().items():
        allowed = budget * share
        if name in ("arc", "doubtful"):
            points = history.arc_points
            pace, charts = checks_per_month(points), int(points["splicer"].nunique())
        else:
            rows = days_of[name]
            rows = rows[rows["day"] >= month[0]] if len(month) else rows[:0]
            pace = WORKDAYS_PER_MONTH * len(rows) / max(len(month), 1)
            charts = len(rows[["subject_type", "subject_id"]].drop_duplicates())
        run_length = max(pace / allowed, SHORTEST_RUN)
        limit = doubtful_limit(run_length) if name == "doubtful" else np.nan
        if name not in (*COUNTED, "doubtful"):
            weight, sided = (ARC_LAMBDA, "two") if name == "arc" else (LAMBDA, "one")
            wanted = run_length * EXCESS.get(name, 1.0)
            limit = ewma_limit(weight, rounded_run_length(wanted), sided=sided)
        plans.append(ChartPlan(name, share, allowed, charts, pace, run_length, limit))
    return plans


def streams_in_use(streams: pd.DataFrame, history: History) -> pd.DataFrame:
    """Streams with splices in the last 22 workdays that have a chart.

    Parameters
    ----------
    streams : DataFrame
        Rows of ``result_streams``.

    Returns
    -------
    DataFrame
        ``splicer``, ``program``, ``pace`` (splices on a day of work), ``sd_within`` and
        ``sd_between``, relative to the mean, of one capped splice and of a day.
    """
    days = history.stream_days
    month = workdays_of(days["day"])[-WORKDAYS_PER_MONTH:]
    days = days[days["day"].isin(month) & ~days["excluded"].astype(bool)]
    pace = days.groupby(["splicer", "program"])["splices"].mean().rename("pace").reset_index()
    known = streams.dropna(subset=["sd_within", "sd_between"]).merge(pace)
    return known[["splicer", "program", "pace", "sd_within", "sd_between"]]


def detection_delays(
    streams: pd.DataFrame,
    widening: float,
    run_lengths: Sequence[float],
    *,
    rises: Sequence[float] = RISES,
) -> list[list[DetectionDelay]]:
    """Detection delay of lasting rises of a stream's loss, for each run length and rise.

    Parameters
    ----------
    streams : DataFrame
        From `streams_in_use`; each is equally likely to rise.
    widening : float
        Factor on the limits (`arcdrift.analysis.loss.day_level.LossCharts`).
    run_lengths : sequence of float
        Points from one false alarm to the next of a stream's upward chart
        (`ChartPlan.run_length`).
    rises : sequence of float
        Loss as a multiple of before.

    Notes
    -----
    Losses are gamma with each stream's scatter; capping makes the rise of the mean smaller
    (`capped_rise`). The delay comes from a seeded simulation of the chart of
    `arcdrift.analysis.loss.sequential_ewma.chart_groups` on a stream with a history
    (`arcdrift.analysis.budget.simulated_delays.HISTORY_DAYS`): the baseline learns from the rise as
    well, with a lag of 10 days, which a Markov chain would ignore.
    """
    days = _days_to_alarm(alarm_lines(run_lengths, widening))
    within, between, pace = (
        streams[name].to_numpy(dtype=np.float64) for name in ("sd_within", "sd_between", "pace")
    )
    sd = np.sqrt(within**2 / pace + between**2)
    shifts = []
    for rise in rises:
        shown = np.array([capped_rise(rise, sd_within) for sd_within in within.tolist()])
        shifts.append(relative_level(shown) / sd)
    return delays_at(days, SHIFTS, rises, shifts)


def capped_rise(rise: float, sd_within: float) -> float:
    """Rise of the capped mean when all losses rise.

    Parameters
    ----------
    rise : float
        Losses as a multiple of before.
    sd_within : float
        Standard deviation of one capped loss relative to their mean.

    Notes
    -----
    For a gamma loss X of shape k and mean 1, ``E min(r X, c) = r F(c/r; k+1) + c (1 - F(c/r; k))``
    with the regularized incomplete gamma function of ``k x``; the cap c is 3.5 times the capped
    mean before the rise, as in `arcdrift.analysis.loss.stream_days`.
    """
    shape, cap = _capped_gamma(round(sd_within, 2))
    return _capped_moment(shape, cap, rise, 1) / _capped_moment(shape, cap, 1.0, 1)


@lru_cache(maxsize=64)
def _capped_gamma(sd_within: float) -> tuple[float, float]:
    """Shape of gamma losses whose capped values have this relative scatter, and their cap."""

    def cap_of(shape: float) -> float:
        cap = CAP_TO_MEAN
        for _ in range(20):
            cap = CAP_TO_MEAN * _capped_moment(shape, cap, 1.0, 1)
        return cap

    def scatter(shape: float) -> float:
        cap = cap_of(shape)
        mean, square = (_capped_moment(shape, cap, 1.0, power) for power in (1, 2))
        return float(np.sqrt(square - mean**2)) / mean

    low, high = SHAPES
    if scatter(low) <= sd_within:
        shape = low
    elif scatter(high) >= sd_within:
        shape = high
    else:
        shape = float(brentq(lambda shape: scatter(shape) - sd_within, low, high, xtol=1e-6))
    return shape, cap_of(shape)


def _capped_moment(shape: float, cap: float, rise: float, power: int) -> float:
    """Mean of ``min(rise X, cap) ** power`` for gamma X of mean 1."""
    x = shape * cap / rise
    below = gammainc(shape + power, x) * gamma_function(shape + power) / gamma_function(shape)
    return float(below * (rise / shape) ** power + cap**power * gammaincc(shape, x))


@lru_cache(maxsize=32)
def _days_to_alarm(lines: tuple[float, ...]) -> Floats:
    """Simulated days to the alarm of a stream's chart, shape (lines, shifts, runs)."""
    return days_to_alarm(_SimulatedStream(lines).judge, len(lines), SHIFTS, seed=20_250_101)


class _SimulatedStream:
    """Charts of simulated streams; arrays have the shape (lines, shifts, runs)."""

    def __init__(self, lines: tuple[float, ...]) -> None:
        shape = (len(lines), len(SHIFTS), RUNS)
        self.line = np.array(lines)[:, None, None]
        self.ewma = np.zeros(shape)
        self.learned = [(np.zeros(shape), np.zeros(shape))]  # sum and count, day by day
        self.days = 0

    def judge(self, y: Floats) -> Bools:
        """Judge a day by the mean of earlier days, then learn from it (`Judge`)."""
        total, count = self.learned[-1 - LAG_DAYS if self.days >= LAG_FROM else -1]
        weight = np.maximum(count, 1.0)
        level = total / weight
        learned_y = y
        alarm = np.zeros(y.shape, dtype=bool)
        if self.days >= CALIBRATION_DAYS:
            t, df = (y - level) / np.sqrt(1.0 + 1.0 / weight), self.days - 1.0 + PSEUDO_DAYS
            # normal value of the same tail probability (Abramowitz and Stegun 26.7.8)
            z = t * (1.0 - 0.25 / df) / np.sqrt(1.0 + 0.5 * t**2 / df)
            ewma = np.maximum((1 - LAMBDA) * self.ewma + LAMBDA * z, 0.0)
            alarm = ewma > self.line
            self.ewma = np.where(alarm, 0.0, ewma)
            learned_y = level + np.clip(y - level, -CLIP, CLIP)
        total, count = self.learned[-1]
        total, count = total + np.where(alarm, 0.0, learned_y), count + ~alarm
        self.learned = [*self.learned[-LAG_DAYS:], (total, count)]
        self.days += 1
        return alarm
