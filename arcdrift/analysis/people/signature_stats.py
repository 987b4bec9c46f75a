"""Slope by days and interval of a count, used by several signatures."""

import numpy as np
import numpy.typing as npt
from scipy.special import gammainccinv, gammaincinv

from arcdrift.arrays import Floats, Ints


def poisson_interval(count: npt.ArrayLike, level: float) -> tuple[Floats, Floats]:
    """Exact interval of the mean of a Poisson count.

    Parameters
    ----------
    count : array_like
        Observed counts; where they were divided by an overdispersion, no whole numbers.
    level : float
        Least probability that the interval holds the mean, the rest split evenly.

    Notes
    -----
    F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936), 437-442.
    """
    observed, tail = np.asarray(count, dtype=np.float64), (1.0 - level) / 2.0
    low = np.where(observed > 0, gammaincinv(observed, tail), 0.0)
    return low, np.asarray(gammainccinv(observed + 1.0, tail))


def slope_by_days(x: Floats, y: Floats, weight: Floats, day: Ints) -> tuple[float, float, int]:
    """Weighted slope of y on x, with a standard error that allows for correlation within days.

    Parameters
    ----------
    x, y, weight : ndarray of shape (n,)
    day : ndarray of shape (n,)
        Number of each row's day.

    Returns
    -------
    slope, standard_error, degrees_of_freedom
        The first two are NaN below three days or without any spread of x.
    """
    dx, dy = (values - np.average(values, weights=weight) for values in (x, y))
    spread = float(weight @ dx**2)
    days, day_of_row = np.unique(day, return_inverse=True)
    count = len(days)
    if spread <= 0 or count < 3:
        return np.nan, np.nan, 1
    slope = float(weight @ (dx * dy)) / spread
    score = np.bincount(day_of_row, weight * dx * (dy - slope * dx))
    sd = float(np.sqrt(score @ score * count / (count - 2))) / spread
    return slope, sd, count - 2
