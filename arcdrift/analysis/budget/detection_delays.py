"""What a budget of false alarms buys: each chart's limit, and the days until a rise is caught."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import gamma as gamma_function
from scipy.special import gammainc, gammaincc

from arcdrift.analysis.arc.arc_drift import LAMBDA as ARC_LAMBDA
from arcdrift.analysis.arc.arc_drift import checks_a_month
from arcdrift.analysis.budget.replay_alarms import History
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
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
from arcdrift.analysis.loss.rollup import of_streams
from arcdrift.analysis.loss.stream_days import CALIBRATION_DAYS
from arcdrift.analysis.loss.technician_days import CAP_TO_MEAN
from arcdrift.arrays import Floats
from arcdrift.charts.limits import ewma_limit
from arcdrift.settings import Shares

EXCESS = {"rolled_up": ROLLED_EXCESS, "scattered": SPREAD_EXCESS}
RISES = (1.25, 1.5, 2.0)
HISTORY_DAYS = 40
"""Days a stream has behind it in the simulation."""
LONGEST_DAYS = 120
RUNS = 400
SHIFTS = np.geomspace(0.25, 8.0, 36)
"""Shifts simulated, in standard deviations of a day; each stream takes the nearest."""
SHAPES = (0.3, 60.0)
"""Gamma shapes looked among; the loss study met 0.7 to 2."""


@dataclass(frozen=True)
class ChartPlan:
    """One kind of chart under a budget.

    Attributes
    ----------
    name : str
        Field of `arcdrift.settings.Shares`.
    share, per_month : float
        Share of the budget, and the false alarms a month it makes.
    charts : int
        Charts in use during the last 22 workdays.
    pace : float
        Points that all of them together were given in those, per 22 workdays.
    run_length : float
        Points of a chart from one false alarm to the next.
    limit : float
        In standard deviations of the settled EWMA, before any widening; NaN for counts, whose
        limit depends on the count expected.
    """

    name: str
    share: float
    per_month: float
    charts: int
    pace: float
    run_length: float
    limit: float


@dataclass(frozen=True)
class Caught:
    """How soon a lasting rise of a stream's loss gives an alarm, whichever stream it is.

    Attributes
    ----------
    rise : float
        Loss as a multiple of before.
    median, most : float
        Days of work of the stream within which half, and 90 %, of such rises are caught; infinite
        beyond `LONGEST_DAYS`.
    within_month : float
        Share caught within 22 of them.
    """

    rise: float
    median: float
    most: float
    within_month: float


def chart_plans(history: History, budget: float, shares: Shares) -> list[ChartPlan]:
    """Limits and run lengths of every kind of chart, at the pace of the last 22 workdays.

    Parameters
    ----------
    budget : float
        False alarms a month, all charts together.
    """
    subjects = history.subject_days
    streams = history.stream_days[~history.stream_days["excluded"].astype(bool)]
    streams = of_streams(streams)
    rolled = subjects[subjects["measure"] == "level"]
    spread = subjects[subjects["measure"] == "spread"]
    days_of = {
        "loss_raised": streams, "loss_lowered": streams, "rolled_up": rolled, "scattered": spread,
        **{name: subjects[subjects["measure"] == name] for name in COUNTED},
    }  # fmt: skip
    recent = np.sort(history.stream_days["day"].unique())[-WORKDAYS_PER_MONTH:]
    plans = []
    for name, share in shares.model_dump().items():
        allowed = budget * share
        if name == "arc":
            points = history.arc_points
            pace, charts = checks_a_month(points), int(points["splicer"].nunique())
        else:
            rows = days_of[name]
            rows = rows[rows["day"].isin(recent)]
            pace = WORKDAYS_PER_MONTH * len(rows) / max(len(recent), 1)
            charts = len(rows[["subject_type", "subject_id"]].drop_duplicates())
        run_length = max(pace / allowed, SHORTEST_RUN)
        limit = np.nan
        if name not in COUNTED:
            weight, sided = (ARC_LAMBDA, "two") if name == "arc" else (LAMBDA, "one")
            # some charts alarm more often than their limits say, which is allowed for
            wanted = run_length * EXCESS.get(name, 1.0)
            limit = ewma_limit(weight, float(f"{wanted:.3g}"), sided=sided)
        plans.append(ChartPlan(name, share, allowed, charts, pace, run_length, limit))
    return plans


def streams_in_use(streams: pd.DataFrame, history: History) -> pd.DataFrame:
    """Streams used in the last 22 workdays that are judged.

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
    recent = np.sort(days["day"].unique())[-WORKDAYS_PER_MONTH:]
    days = days[days["day"].isin(recent) & ~days["excluded"].astype(bool)]
    pace = days.groupby(["splicer", "program"])["splices"].mean().rename("pace").reset_index()
    known = streams.dropna(subset=["sd_within", "sd_between"]).merge(pace)
    return known[["splicer", "program", "pace", "sd_within", "sd_between"]]


def prices(
    streams: pd.DataFrame,
    widening: float,
    run_lengths: Sequence[float],
    *,
    rises: Sequence[float] = RISES,
) -> list[list[Caught]]:
    """How soon lasting rises of a stream's loss are caught, for each run length.

    Parameters
    ----------
    streams : DataFrame
        From `streams_in_use`; the rise is as likely on any of them.
    widening : float
        Factor on the limits (`arcdrift.analysis.loss.day_level.LossCharts`).
    run_lengths : sequence of float
        Points from one false alarm to the next of a stream's upward chart
        (`ChartPlan.run_length`).
    rises : sequence of float
        Loss as a multiple of before.

    Notes
    -----
    Losses count as gamma with each stream's scatter, for a rise shows less in a mean of capped
    losses (`capped_rise`). A seeded simulation of the chart of
    `arcdrift.analysis.loss.sequential_ewma.chart_losses` on a stream with `HISTORY_DAYS` days
    behind it: the baseline learns from the rise as well, 10 days behind, which a Markov chain would
    leave out.
    """
    lines = [
        ewma_limit(LAMBDA, float(f"{max(length, SHORTEST_RUN):.3g}"), sided="one")
        * widening
        * float(np.sqrt(LAMBDA / (2 - LAMBDA)))
        for length in run_lengths
    ]
    days = _days_to_alarm(tuple(lines))
    within, between, pace = (
        streams[name].to_numpy(dtype=np.float64) for name in ("sd_within", "sd_between", "pace")
    )
    sd = np.sqrt(within**2 / pace + between**2)
    answers = []
    for rise in rises:
        shown = np.array([capped_rise(rise, one) for one in within.tolist()])
        shift = relative_level(shown) / sd
        nearest = np.abs(np.log(shift[:, None] / SHIFTS)).argmin(axis=1)
        answers.append([_caught(rise, of_line[nearest].ravel()) for of_line in days])
    return [list(row) for row in zip(*answers, strict=True)]


def _caught(rise: float, days: Floats) -> Caught:
    half, most = np.quantile(days, [0.5, 0.9], method="inverted_cdf")
    return Caught(rise, float(half), float(most), float((days <= WORKDAYS_PER_MONTH).mean()))


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
    """Shape of the gamma losses whose capped values scatter so, and their cap."""

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
        shape = float(brentq(lambda one: scatter(one) - sd_within, low, high, xtol=1e-6))
    return shape, cap_of(shape)


def _capped_moment(shape: float, cap: float, rise: float, power: int) -> float:
    """Mean of ``min(rise X, cap) ** power`` for gamma X of mean 1."""
    x = shape * cap / rise
    below = gammainc(shape + power, x) * gamma_function(shape + power) / gamma_function(shape)
    return float(below * (rise / shape) ** power + cap**power * gammaincc(shape, x))


@lru_cache(maxsize=32)
def _days_to_alarm(lines: tuple[float, ...], seed: int = 20_250_101) -> Floats:
    """Days from a lasting shift to the alarm, shape (lines, SHIFTS, RUNS); infinite when longer.

    Alarms before the shift start the chart anew, as they do in use.
    """
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((HISTORY_DAYS + LONGEST_DAYS, RUNS))
    line = np.array(lines)[:, None, None]
    shape = (len(lines), len(SHIFTS), RUNS)
    ewma = np.zeros(shape)
    learned = [(np.zeros(shape), np.zeros(shape))]  # sum and count, day by day
    found = np.full(shape, np.inf)
    for day, drawn in enumerate(noise):
        total, count = learned[-1 - LAG_DAYS if day >= LAG_FROM else -1]
        weight = np.maximum(count, 1.0)
        level = total / weight
        y = np.broadcast_to(drawn + (SHIFTS[:, None] if day >= HISTORY_DAYS else 0.0), shape)
        kept = y
        alarm = np.zeros(shape, dtype=bool)
        if day >= CALIBRATION_DAYS:
            t, df = (y - level) / np.sqrt(1.0 + 1.0 / weight), day - 1.0 + PSEUDO_DAYS
            # the normal value as rare (Abramowitz and Stegun 26.7.8)
            z = t * (1.0 - 0.25 / df) / np.sqrt(1.0 + 0.5 * t**2 / df)
            ewma = np.maximum((1 - LAMBDA) * ewma + LAMBDA * z, 0.0)
            alarm = ewma > line
            ewma = np.where(alarm, 0.0, ewma)
            kept = level + np.clip(y - level, -CLIP, CLIP)
        total, count = learned[-1]
        learned = [*learned[-LAG_DAYS:], (total + np.where(alarm, 0.0, kept), count + ~alarm)]
        if day >= HISTORY_DAYS:
            found = np.where(alarm & np.isinf(found), day - HISTORY_DAYS + 1.0, found)
            if np.isfinite(found).all():
                break
    return found
