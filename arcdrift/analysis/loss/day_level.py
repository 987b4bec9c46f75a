"""The level of a day's splice loss as a chart sees it: its scale, its constants and its results.

`arcdrift.analysis.loss.sequential_ewma` draws the charts. They follow whatever else has a mean and
a scatter each day, too: the spread of a day's losses, or the losses of a splicer, a person, a site.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.arrays import Floats

LAMBDA = 0.2
CLIP = 2.5  # standard deviations an innovation may move the mean
LAG_FROM = 40  # days of history from which the mean lags
LAG_DAYS = 10
PSEUDO_DAYS = 20.0
SHORTEST_RUN = 10.0
"""Days between false alarms below which a chart says nothing; a budget asks for no less."""
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


@dataclass(frozen=True)
class Units:
    """What is charted under one budget.

    Attributes
    ----------
    days : DataFrame
        One row a unit and day, like those of `arcdrift.analysis.loss.stream_days.loss_days`, all
        splicers together. Where there is a column ``excluded``, its days are neither judged nor
        learned from; where there is a column ``frozen``, its days are judged, and leave the
        baseline as it is.
    budget_up, budget_down : float
        False alarms a month (22 workdays) the whole crew tolerates from all upper and all lower
        charts together; None for no lower charts.
    pace : Series, optional
        Rows a day (index) of all charts under the same budget, where these are not all.
    keys : sequence of str
        Columns that make a unit.
    shared : bool
        Take out what a day does to everybody (`arcdrift.analysis.loss.common_day_effect`); needs
        the columns ``splicer`` and ``site``.
    """

    days: pd.DataFrame
    budget_up: float
    budget_down: float | None
    keys: Sequence[str] = STREAM
    shared: bool = False
    pace: pd.Series | None = None
