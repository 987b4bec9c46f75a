"""Self-starting CUSUM charts for a raised share of bad items: many series on one calendar.

Each day with n items of which x are bad updates a CUSUM of the log-likelihood ratio of a rate
`RATIO` times the usual one, ``C = max(0, C + x log(ratio) - n p (ratio - 1))``. That is exact for
Poisson counts, and for binomial ones in the limit of small shares; such a CUSUM alarms soonest
among all charts with the same run length (Moustakides 1986, Annals of Statistics 14, 1379-1387).
The usual rate p is the mean of a Beta distribution: the crew's spread of rates, narrowed by the
series' own earlier days. Only earlier days, and the day's own count of items, enter its p and its
limit; the latest ten days do not, so that a rise is not learned while it is looked for. The limit
is that of a chart of Poisson counts with the series' usual count of bad items a day.

Bad items come together: at one place, and on days when all is difficult. Counts of days then vary
more than a binomial law says, by a factor that is learned from earlier days, the dispersion. The
likelihood ratio is then that of negative binomial counts with this variance, and the limit that of
a Poisson count divided by the dispersion, which tells as much: at run lengths of 1,000 to 30,000
and gamma shares of days, false alarms were .75 to 1.16 of the wanted ones for 1 to 300 bad items a
day. Without it, where shares vary between days with a standard deviation of 30 %, a chart of 1.2
bad items a day alarmed 1.4 times as often as it should at a run length of 3,000, one of 3.6 items
6.6 times, and one of 72 items 250 times.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.binomial_cusum_limits import COUNTS, LIMITS, RUN_LENGTHS
from arcdrift.errors import BadInput

RATIO = 2.0
"""Multiple of the usual rate the chart is tuned to; best of those compared for a triple, too."""
FIRST_RATE, FIRST_WEIGHT = 0.015, 1.0
"""Prior rate, and the number of bad items it is worth, before the crew has data of its own."""
WEIGHT = (1.0, 20.0)
"""Least and most bad items the crew's prior may be worth."""
LEARNING_DAYS, MOST_LEARNING = 5, 4.0
"""Days with items before a series may alarm, and most multiple of it: so many as bad items a day
are usual, since with many a few days alarm on a small error of the usual rate."""
LAG_DAYS, LAG_FROM = 10, 40
"""Latest days that are left out of what is usual, and from which day on, as for levels of loss."""
FIRST_DAY_SD = 0.2
"""Relative standard deviation of the rates of days before the crew has data of its own."""
PSEUDO_DAYS = 60.0
"""Days that the dispersion of all series counts for in that of one, and its prior in all."""
TAIL = 1.25
"""Factor on the excess of a dispersion over 1: lognormal shares of days, in effect gamma here, have
a longer tail. Without it, a chart of 72 bad items a day alarmed 3.8 times as often as it should
at a run length of 30,000, with it .9 times (gamma shares: .9 and .1 times)."""
CLIP_SD, CLIP_COUNT = 3.0, 2.0
"""A day enters the dispersion with a deviation of at most 3 standard deviations and 2 items, so
that a rise does not hide itself."""


def beta_prior(bad: ArrayLike, n: ArrayLike) -> tuple[Floats, Floats]:
    """Beta distribution (a, b) of the rates of several series, by moments.

    With P the pooled rate and I series of n_i items, the weighted squares
    ``sum n_i (x_i / n_i - P)^2`` have the mean
    ``P (1 - P) (I - 1 + rho (N - sum n_i^2 / N - I + 1))`` under a beta-binomial law with
    intraclass correlation rho = 1 / (a + b + 1) (Kleinman 1973, Journal of the American
    Statistical Association 68, 46-54, from memory). The weight a is kept within `WEIGHT`.

    Parameters
    ----------
    bad, n : array_like, shape (..., series)
        Bad items and items of each series; series without items are left out.

    Returns
    -------
    tuple of ndarray, each of shape (...)
        a and b.
    """
    items: Floats = np.asarray(n, dtype=np.float64)
    counts: Floats = np.asarray(bad, dtype=np.float64)
    used = items > 0.0
    series, total = used.sum(axis=-1), items.sum(axis=-1)
    # The prior rate keeps the rate above 0 while the crew has had no bad item.
    known_bad = np.where(used, counts, 0.0).sum(axis=-1)
    rate = (known_bad + FIRST_WEIGHT) / (total + FIRST_WEIGHT / FIRST_RATE)
    squares = items * (counts / np.where(used, items, 1.0) - rate[..., None]) ** 2
    factor = total - (items**2).sum(axis=-1) / np.maximum(total, 1e-9) - series + 1.0
    usable = (series > 1) & (factor > 0.0)
    rho = squares.sum(axis=-1) / (rate * (1.0 - rate)) - series + 1.0
    rho = rho / np.where(usable, factor, 1.0)
    varying = usable & (rho > 0.0)
    weight = np.where(usable, WEIGHT[1], FIRST_WEIGHT)
    weight = np.where(varying, rate * (1.0 / np.where(varying, rho, 1.0) - 1.0), weight)
    weight = np.clip(weight, *WEIGHT)
    return weight, weight * (1.0 / rate - 1.0)


def binomial_cusum_limit(count: ArrayLike, arl0: ArrayLike) -> Floats:
    """Limit of C for a usual count of bad items a day and a wanted average run length in days.

    Interpolated, in the logarithms of both, between limits computed from a Markov chain
    (`arcdrift.charts.binomial_cusum_limits`).

    Parameters
    ----------
    count : array_like
        Usual bad items a day; counts outside the table take its first or last column.
    arl0 : array_like, of a shape that broadcasts with `count`
        Wanted average count of days with items between false alarms, 10 or more.

    Raises
    ------
    BadInput
        When the wanted run length lies outside the table.
    """
    wanted, usual = np.asarray(arl0, dtype=np.float64), np.asarray(count, dtype=np.float64)
    if not ((wanted >= RUN_LENGTHS[0]) & (wanted <= RUN_LENGTHS[-1])).all():
        raise BadInput(
            f"Days between false alarms must lie between {RUN_LENGTHS[0]:.0f} and "
            f"{RUN_LENGTHS[-1]:.0f}; allow more or fewer false alarms."
        )
    row, down = _grid_position(np.log(wanted), np.log(RUN_LENGTHS))
    column, right = _grid_position(np.log(np.clip(usual, COUNTS[0], COUNTS[-1])), np.log(COUNTS))
    upper = (1 - right) * LIMITS[row, column] + right * LIMITS[row, column + 1]
    lower = (1 - right) * LIMITS[row + 1, column] + right * LIMITS[row + 1, column + 1]
    return np.asarray((1 - down) * upper + down * lower, dtype=np.float64)


def _grid_position(value: Floats, grid: Floats) -> tuple[Ints, Floats]:
    """Index of the grid cell of each value, and its distance into the cell as a share of it."""
    cell = np.clip(np.searchsorted(grid, value, side="right") - 1, 0, len(grid) - 2)
    return cell, (value - grid[cell]) / (grid[cell + 1] - grid[cell])


@dataclass(frozen=True)
class BinomialCusums:
    """Charts of all series; every array has the shape (days, series).

    Attributes
    ----------
    value : ndarray of float
        C after each day, before any reset; 0 while the series is learning, NaN on days without
        items.
    limit : ndarray of float
        Its limit that day; infinite while the series is learning.
    rate : ndarray of float
        Usual rate as it was known before the day.
    dispersion : ndarray of float
        Variance of the day's count over that of a binomial law, as it was known before the day.
    signal : ndarray of bool
        Alarms; C starts again at 0 after one.
    onset : ndarray of int
        Position of the day from which C has been above 0, the estimated first day of a rise
        (Page 1954, Biometrika 41, 100-115); -1 while C is 0.
    """

    value: Floats
    limit: Floats
    rate: Floats
    dispersion: Floats
    signal: Bools
    onset: Ints


def binomial_cusums(
    bad: ArrayLike, n: ArrayLike, arl0: ArrayLike, crews: Sequence[int] | None = None
) -> BinomialCusums:
    """Chart the daily shares of bad items of many series.

    Parameters
    ----------
    bad, n : array_like, shape (days, series)
        Bad items and items of each day, on one calendar; n is 0 where a series has none.
    arl0 : float, or array_like of shape (days,)
        Wanted average count of days with items between false alarms of a series.
    crews : sequence of int, optional
        Where the series of several crews stand side by side: how many each has. A series learns
        from those of its own crew only.

    Raises
    ------
    BadInput
        When a count is impossible, or the wanted run length lies outside the table of limits.
    """
    items: Floats = np.asarray(n, dtype=np.float64)
    counts: Floats = np.asarray(bad, dtype=np.float64)
    if items.ndim != 2 or items.shape != counts.shape:
        raise BadInput("Bad items and items must be two tables of days by series, of one shape.")
    if not ((counts >= 0.0) & (counts <= items)).all():
        raise BadInput("A day's bad items must be between 0 and its items.")
    worked = items > 0.0
    ends = np.cumsum([items.shape[1]] if crews is None else crews)
    parts = [slice(first, last) for first, last in pairwise([0, *ends.tolist()])]
    rate = np.hstack([learned_rates(counts[:, part], items[:, part]) for part in parts])
    days = np.cumsum(worked, axis=0)
    usual = np.cumsum(items, axis=0) / np.maximum(days, 1)
    wanted = np.broadcast_to(np.asarray(arl0, dtype=np.float64), len(items))[:, None]
    dispersion = _dispersion(counts, items, rate, parts)
    effective = usual * rate / dispersion
    limit = binomial_cusum_limit(effective, wanted)
    learned = days > LEARNING_DAYS * np.clip(effective, 1.0, MOST_LEARNING)
    limit = np.where(learned, limit, np.inf)
    excess = dispersion - 1.0
    damping = np.log1p((RATIO - 1.0) * excess / dispersion)
    per_expected = np.where(excess > 1e-6, damping / np.maximum(excess, 1e-6), RATIO - 1.0)
    step = counts * (math.log(RATIO) - damping) - items * rate * per_expected
    # while a series is learning its usual rate is that of others, or of nobody
    step = np.where(np.maximum.accumulate(learned, axis=0), step, 0.0)
    value, state = np.empty(items.shape), np.zeros(items.shape[1])
    for day in range(len(items)):
        value[day] = np.maximum(state + step[day], 0.0)
        state = np.where(worked[day] & (value[day] > limit[day]), 0.0, value[day])
    signal = worked & (value > limit)
    above = value > 0.0
    carried = np.zeros(items.shape, dtype=bool)
    carried[1:] = (above & ~signal)[:-1]
    began = np.where(above & ~carried, np.arange(len(items))[:, None], -1)
    onset = np.where(above, np.maximum.accumulate(began, axis=0), -1)
    return BinomialCusums(np.where(worked, value, np.nan), limit, rate, dispersion, signal, onset)


def learned_rates(bad: Floats, n: Floats) -> Floats:
    """Usual rate of each series as known before each day: shape (days, series), as `bad` and `n`.

    The mean of the crew's Beta distribution, narrowed by the series' own earlier days.
    """
    known, known_bad = earlier_sums(n), earlier_sums(bad)
    a, b = (prior[:, None] for prior in beta_prior(known_bad, known))
    return np.asarray((a + known_bad) / (a + b + known))


def earlier_sums(values: Floats) -> Floats:
    """Sum over the days before each one, of the shape (days, series) of the values.

    From day `LAG_FROM` on without the latest `LAG_DAYS`, which may belong to a rise.
    """
    sums = np.zeros((len(values) + 1, *values.shape[1:]))
    np.cumsum(values, axis=0, out=sums[1:])
    day = np.arange(len(values))
    return np.asarray(sums[np.maximum(np.minimum(day, LAG_FROM), day - LAG_DAYS)])


def _dispersion(counts: Floats, items: Floats, rate: Floats, crews: Sequence[slice]) -> Floats:
    """Dispersion of each day's count as known before the day, shape (days, series).

    The ratio of the squared deviations of earlier days from their expectation to the variances that
    a binomial law gives them, that of all series of its crew for `PSEUDO_DAYS` days; never below 1.
    """
    expected = items * rate
    variance = expected * (1.0 - rate)
    day_number = np.maximum(np.cumsum(items > 0.0, axis=0), 1)
    upto = np.cumsum(variance, axis=0)
    weight = PSEUDO_DAYS * upto / day_number
    first = weight * (1.0 + FIRST_DAY_SD**2 * np.cumsum(expected, axis=0) / day_number)
    deviation = np.abs(counts - expected)
    known = np.zeros(items.shape)
    known[1:] = upto[:-1]
    starts = np.array([crew.start for crew in crews])
    crew = np.repeat(np.arange(len(crews)), [part.stop - part.start for part in crews])
    first_of_all, weight_of_all, known_of_all = (
        np.add.reduceat(values, starts, axis=1) for values in (first, weight, known)
    )
    of_all = known_of_all + np.maximum(weight_of_all, 1e-12)
    own = np.maximum(known + weight, 1e-12)
    squares = np.zeros(items.shape[1])
    learned = np.empty(items.shape)
    for day in range(len(items)):
        pooled = (np.add.reduceat(squares, starts) + first_of_all[day]) / of_all[day]
        learned[day] = (squares + weight[day] * pooled[crew]) / own[day]
        np.maximum(learned[day], 1.0, out=learned[day])
        most = CLIP_SD * np.sqrt(variance[day] * learned[day]) + CLIP_COUNT
        squares += np.minimum(deviation[day], most) ** 2
    return 1.0 + TAIL * (learned - 1.0)
