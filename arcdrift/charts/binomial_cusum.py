"""Self-starting CUSUM charts for a raised share of bad items: many series on one calendar.

Each day with n items of which x are bad updates a CUSUM of the log-likelihood ratio of a rate
`RATIO` times the usual one, ``C = max(0, C + x log(ratio) - n p (ratio - 1))``. That is exact for
Poisson counts, and for binomial ones in the limit of small shares; such a CUSUM alarms soonest
among all charts with the same run length (Moustakides 1986, Annals of Statistics 14, 1379-1387).
The usual rate p is the mean of a Beta distribution: the crew's spread of rates, narrowed by the
series' own earlier days. Only earlier days, and the day's own count of items, enter its p and its
limit. The limit is that of a chart of Poisson counts with the series' usual count of bad items a
day.
"""

import math
from dataclasses import dataclass

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
LEARNING_DAYS = 5
"""Days with items before a series may alarm."""


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
        C after each day, before any reset; NaN on days without items.
    limit : ndarray of float
        Its limit that day; infinite while the series is learning.
    rate : ndarray of float
        Usual rate as it was known before the day.
    signal : ndarray of bool
        Alarms; C starts again at 0 after one.
    onset : ndarray of int
        Position of the day from which C has been above 0, the estimated first day of a rise
        (Page 1954, Biometrika 41, 100-115); -1 while C is 0.
    """

    value: Floats
    limit: Floats
    rate: Floats
    signal: Bools
    onset: Ints


def binomial_cusums(bad: ArrayLike, n: ArrayLike, arl0: ArrayLike) -> BinomialCusums:
    """Chart the daily shares of bad items of many series.

    Parameters
    ----------
    bad, n : array_like, shape (days, series)
        Bad items and items of each day, on one calendar; n is 0 where a series has none.
    arl0 : float, or array_like of shape (days,)
        Wanted average count of days with items between false alarms of a series.

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
    known, known_bad = np.zeros(items.shape), np.zeros(items.shape)
    np.cumsum(items[:-1], axis=0, out=known[1:])
    np.cumsum(counts[:-1], axis=0, out=known_bad[1:])
    a, b = (prior[:, None] for prior in beta_prior(known_bad, known))
    rate = (a + known_bad) / (a + b + known)
    days = np.cumsum(worked, axis=0)
    usual = np.cumsum(items, axis=0) / np.maximum(days, 1)
    wanted = np.broadcast_to(np.asarray(arl0, dtype=np.float64), len(items))[:, None]
    limit = np.where(days > LEARNING_DAYS, binomial_cusum_limit(usual * rate, wanted), np.inf)
    step = counts * math.log(RATIO) - items * rate * (RATIO - 1.0)
    value, state = np.empty(items.shape), np.zeros(items.shape[1])
    for day in range(len(items)):
        value[day] = np.maximum(state + step[day], 0.0)
        state = np.where(value[day] > limit[day], 0.0, value[day])
    above = value > 0.0
    carried = np.zeros(items.shape, dtype=bool)
    carried[1:] = (above & (value <= limit))[:-1]
    began = np.where(above & ~carried, np.arange(len(items))[:, None], -1)
    onset = np.where(above, np.maximum.accumulate(began, axis=0), -1)
    return BinomialCusums(
        np.where(worked, value, np.nan), limit, rate, worked & (value > limit), onset
    )
