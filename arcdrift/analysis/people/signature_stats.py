"""Slope by days and interval of a count, used by several signatures."""

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import gammainccinv, gammaincinv

from arcdrift.arrays import Floats


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


def slope_by_days(
    x: pd.Series, y: pd.Series, weight: pd.Series, day: pd.Series
) -> tuple[float, float, int]:
    """Weighted slope of y on x, with a standard error that allows for correlation within days.

    Returns
    -------
    slope, standard_error, degrees_of_freedom
        The first two are NaN below three days or without any spread of x.
    """
    w = weight.to_numpy(dtype=np.float64)
    dx = x.to_numpy(dtype=np.float64) - np.average(x, weights=w)
    dy = y.to_numpy(dtype=np.float64) - np.average(y, weights=w)
    spread = float(w @ dx**2)
    count = int(day.nunique())
    if spread <= 0 or count < 3:
        return np.nan, np.nan, 1
    slope = float(w @ (dx * dy)) / spread
    score = pd.Series(w * dx * (dy - slope * dx)).groupby(day.to_numpy()).sum().to_numpy()
    sd = float(np.sqrt(score @ score * count / (count - 2))) / spread
    return slope, sd, count - 2
