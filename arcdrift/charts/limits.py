"""EWMA limits for a wanted average run length."""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import BSpline, make_interp_spline
from scipy.optimize import brentq

from arcdrift.arrays import Floats
from arcdrift.charts.run_length import LONGEST, Sided, ewma_arl
from arcdrift.errors import BadInput

_RAREST = 1e8
"""Longest average run length a limit is computed for, well inside the accuracy of run lengths."""
_SHORTEST = 4.0
"""Shortest average run length `ewma_limits` accepts, above that of its narrowest stored limit."""


def rounded_run_length(run_length: float) -> float:
    """Run length to three significant digits: the points of a month determine it no better."""
    return float(f"{run_length:.3g}")


@lru_cache(maxsize=1024)
def ewma_limit(lam: float, arl0: float, *, sided: Sided) -> float:
    """Limit at which an EWMA chart without shift runs `arl0` values on average.

    Parameters
    ----------
    lam : float
        Weight of the newest value, in (0, 1].
    arl0 : float
        Wanted average count of values between false alarms.
    sided
        As in `arcdrift.charts.run_length.ewma_arl`.

    Returns
    -------
    float
        Limit in standard deviations of the settled EWMA, to about 1e-10.

    Raises
    ------
    BadInput
        When no limit gives the wanted run length.
    """
    _check_reach(arl0, ewma_arl(lam, 0.0, sided=sided))
    upper = 1.0
    while ewma_arl(lam, upper, sided=sided) < arl0:
        upper += 1.0

    def excess(limit: float) -> float:
        return math.log(min(ewma_arl(lam, limit, sided=sided), LONGEST) / arl0)

    return float(brentq(excess, upper - 1.0, upper, xtol=1e-11))


def ewma_limits(lam: float, arl0: ArrayLike, *, sided: Sided) -> Floats:
    """Limits for many wanted run lengths at once, to about 1e-10 of those of `ewma_limit`.

    Interpolated between limits whose run lengths are computed once.

    Parameters
    ----------
    lam, sided
        As in `ewma_limit`.
    arl0 : array_like
        Wanted average counts of values between false alarms, each 4 or more.

    Raises
    ------
    BadInput
        When no limit gives a wanted run length.
    """
    wanted: Floats = np.asarray(arl0, dtype=np.float64)
    if wanted.size:
        _check_reach(float(wanted.max()), _SHORTEST)
        _check_reach(float(wanted.min()), _SHORTEST)
    return np.asarray(_ewma_curve(lam, sided)(np.log(wanted)), dtype=np.float64)


@lru_cache(maxsize=8)
def _ewma_curve(lam: float, sided: Sided) -> BSpline:
    """Limit by the logarithm of the run length."""
    limits, lengths = [], [0.0]
    limit = 0.3
    while lengths[-1] < 4.0 * _RAREST:
        lengths.append(ewma_arl(lam, limit, sided=sided))
        limits.append(limit)
        limit += 0.05
    return make_interp_spline(np.log(lengths[1:]), limits, k=5)


def _check_reach(arl0: float, shortest: float) -> None:
    if not arl0 <= _RAREST:
        raise BadInput(
            f"One false alarm in {arl0:g} points is rarer than can be computed; "
            f"allow at least one in {_RAREST:.0e}."
        )
    if arl0 <= shortest:
        raise BadInput(
            f"One false alarm in {arl0:.3g} points is more often than this chart can give "
            f"(every {shortest:.3g} points at most); lower the false-alarm budget."
        )
