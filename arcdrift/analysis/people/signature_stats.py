"""Slope by days, used by several signatures."""

import numpy as np
import pandas as pd


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
