"""Funnel limits: range of an observed share or spread by chance alone, by sample size.

The fewer observations, the wider the limits. They are exact, not normal approximations.
"""

import numpy as np
import numpy.typing as npt
from scipy.special import bdtr, bdtrik, gammaincinv

from arcdrift.arrays import Floats

# scipy.special throughout: scipy.stats takes as long to load as pandas


def binomial_limits(n: npt.ArrayLike, share: float, level: float = 0.95) -> tuple[Floats, Floats]:
    """Limits of an observed share when the true one is known.

    Parameters
    ----------
    n : array_like of int
        Observations, at least 1.
    share : float
        The true share, between 0 and 1.
    level : float
        Probability between the limits, the rest split evenly.

    Returns
    -------
    (low, high) : ndarray
        On the scale of a share.

    Notes
    -----
    Interpolated between counts, so that the lines of a funnel have no jumps (Spiegelhalter 2005,
    Statistics in Medicine 24, 1185-1202, appendix A.1, from memory): with y the smallest count
    whose distribution function reaches p, the limit is (y - a)/n with
    a = (F(y) - p)/(F(y) - F(y - 1)).
    """
    n = np.asarray(n, dtype=np.float64)
    tail = (1.0 - level) / 2.0
    low, high = (_interpolated(n, share, p) for p in (tail, 1.0 - tail))
    # for a very small share the interpolation can fall below 0
    return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)


def _interpolated(n: Floats, share: float, p: float) -> Floats:
    if share <= 0.0 or share >= 1.0:
        return np.full(n.shape, min(max(share, 0.0), 1.0))
    y = binomial_quantile(p, n, share)
    reached, before = _at_most(y, n, share), _at_most(y - 1.0, n, share)
    limit: Floats = (y - (reached - p) / (reached - before)) / n
    return limit


def binomial_quantile(p: float, n: Floats, share: float) -> Floats:
    """Smallest count whose binomial distribution function reaches a probability.

    Parameters
    ----------
    p : float
        The probability, between 0 and 1.
    n : ndarray of float
        Observations, at least 1.
    share : float
        The true share, between 0 and 1.
    """
    y = np.ceil(bdtrik(p, n, share))
    # the inverse is continuous in the count; rounding can put it just above a whole one
    below = np.maximum(y - 1.0, 0.0)
    count: Floats = np.where(_at_most(below, n, share) >= p, below, y)
    return count


def _at_most(count: Floats, n: Floats, share: float) -> Floats:
    """Binomial probability of at most that many; 0 for -1."""
    probability: Floats = bdtr(np.maximum(count, 0.0), n.astype(np.int64), share)
    return np.where(count < 0.0, 0.0, probability)


def spread_limits(
    degrees_of_freedom: npt.ArrayLike, sd: float, level: float = 0.95
) -> tuple[Floats, Floats]:
    """Limits of an observed standard deviation of normal values when the true one is known.

    Parameters
    ----------
    degrees_of_freedom : array_like
        Degrees of freedom, above 0.
    sd : float
        The true standard deviation.

    Returns
    -------
    (low, high) : ndarray
        sd sqrt(chi2(p) / degrees_of_freedom) at both tails; in the unit of ``sd``.
    """
    df = np.asarray(degrees_of_freedom, dtype=np.float64)
    tail = (1.0 - level) / 2.0
    # chi-squared is gamma with shape df / 2 and scale 2
    low, high = (sd * np.sqrt(2.0 * gammaincinv(df / 2.0, p) / df) for p in (tail, 1.0 - tail))
    return low, high


def overdispersion(observed: Floats, n: Floats, share: float) -> float:
    """Variance of shares over their binomial variance, at least 1.

    Mean square of the standardized shares, winsorized at 10 % on both sides (Spiegelhalter 2005,
    from memory). Limits are widened by its square root.
    """
    z = (observed / n - share) / np.sqrt(share * (1.0 - share) / n)
    low, high = np.quantile(z, [0.1, 0.9])
    return max(float(np.mean(np.clip(z, low, high) ** 2)), 1.0)
