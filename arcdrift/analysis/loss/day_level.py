"""Daily level charts: the scale of a day's mean loss, chart constants, and result types.

`arcdrift.analysis.loss.sequential_ewma` computes the charts. They serve every series that has a
mean and a scatter each day: losses of a stream, the spread of a day's losses, or the losses of a
splicer, a person or a site.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.arrays import Floats

LAMBDA = 0.2  # weight of the newest day in the EWMA
CLIP = 2.5  # innovations are clipped at so many standard deviations before the mean is updated
LAG_FROM = 40  # from so many days of history on, the mean leaves out
LAG_DAYS = 10  # the newest days
LAG_SUSPENDED_DAYS = 20
"""Days after service during which the mean does not lag, so that it follows a moved level."""
PSEUDO_DAYS = 20.0
"""Days that the prior of a variance is worth."""
SHORTEST_RUN = 10.0
"""Shortest average run length of a chart in days; more frequent alarms would say nothing."""
STREAM = ("splicer", "program")
"""Columns that identify a stream."""

CHART_COLUMNS = (
    "person_effect",
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
class LearnedVariances:
    """Relative variances as learned from the days before a day.

    Attributes
    ----------
    before : datetime64[us]
        The day, as a midnight.
    within, between : array, shape (units,)
        Of one capped splice and between days, of each unit; those pooled over the group where the
        unit was not charted yet.
    pooled_within, pooled_between : float
        Over all units.
    service_moves : array, shape (actions,)
        Of moves of level at each restarting service action.
    widening : float
        Factor on the limits for the autocorrelation of z.
    """

    before: np.datetime64
    within: Floats
    between: Floats
    pooled_within: float
    pooled_between: float
    service_moves: Floats
    widening: float


@dataclass(frozen=True)
class LossCharts:
    """Charts of all units of one group.

    Attributes
    ----------
    days : DataFrame
        The input days plus ``mean_db``, ``capped_mean_db``, ``expected_db``, ``low_db``,
        ``high_db`` (95 % prediction interval of the capped day mean), ``z``, ``ewma_up``,
        ``ewma_down``, ``limit_up``, ``limit_down``, ``alarm`` (``""``, ``"up"``, ``"down"``),
        ``learning``; ``person_effect`` (mean usual effect of the people who made the splices),
        ``crew_effect`` (common effect of the day on the crew) and ``shared_effect``
        (on crew and site together), on the scale of `relative_level`. The expectation includes
        the person effect and the shared effect.
    units : DataFrame
        One row a unit: ``baseline_db``, ``sd_within``, ``sd_between``, ``n_days``.
    between, within, lag1 : float
        The crew's pooled between-day and within-day relative variance and lag-1 correlation of
        z, at the end of the data.
    widening : float
        Factor on the limits for the autocorrelation of z, at the end of the data.
    service_shift : dict
        By restarting service action: standard deviation of the moves of level it causes, on the
        scale of `relative_level`, and the number of events it is learned from, at the end of the
        data (`arcdrift.analysis.loss.service_shift`).
    learned : tuple of LearnedVariances
        At the start of each month of 22 workdays, and last at the end of the data.
    """

    days: pd.DataFrame
    units: pd.DataFrame
    between: float
    within: float
    lag1: float
    widening: float
    service_shift: dict[str, tuple[float, int]]
    learned: tuple[LearnedVariances, ...]

    def learned_by(self, day: np.datetime64) -> LearnedVariances:
        """Variances learned by the end of the month before a day.

        For the first two months these are those at the end of the first, and until it has ended
        those of all days so far.
        """
        at = day.astype("datetime64[us]")
        _, *months, now = self.learned  # at the start of the first month nothing is learned
        ended = [found for found in months if found.before <= at]
        return ended[-1] if ended else (months or [now])[0]

    def shared_effect_variance(self, before: np.datetime64) -> float:
        """Mean square of the effects shared by all streams before a day; 0 where none is known."""
        earlier = self.days["day"].to_numpy("datetime64[us]") < before
        effect = self.days["shared_effect"].to_numpy(np.float64)[earlier]
        known = effect[np.isfinite(effect)]
        return float(np.mean(known**2)) if len(known) else 0.0


def relative_level(ratio: Floats) -> Floats:
    """Cube-root scale of a day mean relative to its baseline: y = 3 (r^(1/3) - 1).

    Near r = 1 its slope is 1; it removes the skewness of a mean of gamma-like losses
    (Wilson and Hilferty's cube root, 1931, from memory).
    """
    return 3.0 * (np.cbrt(ratio) - 1.0)


def ratio_of(level: Floats) -> Floats:
    """Inverse of `relative_level`."""
    return np.maximum(1.0 + level / 3.0, 0.0) ** 3


def without_effect(expected: Floats, effect: Floats) -> Floats:
    """Expected losses without a day's shared effect, which is on the scale of `relative_level`."""
    return np.asarray((np.cbrt(expected) / (1.0 + effect / 3.0)) ** 3, dtype=np.float64)


@dataclass(frozen=True)
class ChartGroup:
    """Units that share a kind and a false-alarm budget.

    Attributes
    ----------
    days : DataFrame
        One row per unit and day, like those of
        `arcdrift.analysis.loss.stream_days.sum_stream_days`, all splicers together. Rows
        with a true optional column ``excluded`` are neither judged nor learned from; rows with a
        true optional column ``frozen`` are judged but do not change the baseline.
    budget_up, budget_down : float
        False alarms a month (22 workdays) allowed for the whole crew from all upper and all lower
        charts together; None for no lower charts.
    pace : Series, optional
        Rows per day (index) of all charts under the same budget; default those of `days`.
    keys : sequence of str
        Columns that identify a unit.
    common_effect : bool
        Subtract the common effect of each day (`arcdrift.analysis.loss.common_day_effect`); needs
        the columns ``splicer`` and ``site``.
    cells : DataFrame, optional
        ``technician``, ``n`` and ``capped`` (dB) of each unit's day; with them the usual effects
        of people are part of the expectation (`arcdrift.analysis.loss.person_effects`).
    """

    days: pd.DataFrame
    budget_up: float
    budget_down: float | None
    keys: Sequence[str] = STREAM
    common_effect: bool = False
    pace: pd.Series | None = None
    cells: pd.DataFrame | None = None
