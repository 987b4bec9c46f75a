"""Small exact or robust statistics that signatures share."""

import numpy as np
import pandas as pd
from scipy.stats import chi2


def poisson_interval(count: float, level: float = 0.95) -> tuple[float, float]:
    """Exact limits of a Poisson mean (Garwood 1936): chi-square quantiles over 2."""
    tail = (1.0 - level) / 2.0
    low = float(chi2.ppf(tail, 2.0 * count)) / 2.0 if count > 0 else 0.0
    return low, float(chi2.ppf(1.0 - tail, 2.0 * count + 2.0)) / 2.0


def slope_by_days(
    x: pd.Series, y: pd.Series, weight: pd.Series, day: pd.Series
) -> tuple[float, float, int]:
    """Weighted slope, its standard error by days (clusters), and degrees of freedom."""
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
