"""Limits: from a wanted run length, for dependent values, and the classic chart constants.

The constants come from their definitions (moments of the range and the standard deviation of a
normal sample), not from a table, so every sample size is served; tests hold printed tables
against them.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import BSpline, make_interp_spline
from scipy.optimize import brentq
from scipy.special import ndtr

from arcdrift.charts.run_length import LONGEST, FloatArray, Sided, cusum_arl, ewma_arl
from arcdrift.charts.run_rules import shewhart_arl
from arcdrift.charts.skewed_run_length import Noise, ewma_arl_of
from arcdrift.errors import BadInput

_RAREST = 1e8
"""Longest average run length to find a limit for, well inside what run lengths can resolve."""
_SHORTEST = 4.0
"""Shortest one that `ewma_limits` serves, well above that of the narrowest limit it knows."""

PRINTED_D2 = 1.128
"""d2 for pairs as textbooks round it; individuals charts are drawn with it by convention."""


@lru_cache(maxsize=1024)
def ewma_limit(lam: float, arl0: float, *, sided: Sided, varying: bool = False) -> float:
    """Limit at which an EWMA chart without shift runs `arl0` values on average.

    Parameters
    ----------
    lam : float
        Weight of the newest value, in (0, 1].
    arl0 : float
        Wanted average count of values between false alarms.
    sided, varying
        As in `arcdrift.charts.run_length.ewma_arl`.

    Returns
    -------
    float
        Limit in standard deviations of the settled EWMA, to about 1e-10.

    Raises
    ------
    BadInput
        When the wanted run length is out of the chart's reach.
    """
    return _limit_for(lambda limit: ewma_arl(lam, limit, sided=sided, varying=varying), arl0)


def ewma_limits(lam: float, arl0: ArrayLike, *, sided: Sided) -> FloatArray:
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
        When a wanted run length is out of the chart's reach.
    """
    wanted: FloatArray = np.asarray(arl0, dtype=np.float64)
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


@lru_cache(maxsize=256)
def ewma_limit_of(noise: Noise, lam: float, arl0: float, *, sided: Sided) -> float:
    """Limit at which an EWMA chart of values that are not normal runs `arl0` values on average.

    Parameters
    ----------
    noise, lam, sided
        As in `arcdrift.charts.skewed_run_length.ewma_arl_of`.
    arl0 : float
        Wanted average count of values between false alarms.

    Returns
    -------
    float
        Limit in standard deviations of the settled EWMA.

    Raises
    ------
    BadInput
        When the wanted run length is out of the chart's reach.
    """
    return _limit_for(
        lambda limit: ewma_arl_of(noise, lam, limit, sided=sided), arl0, least=1e-3, xtol=1e-8
    )


@lru_cache(maxsize=1024)
def shewhart_widening(arl0: float, *, rules: str) -> float:
    """Widen the lines of a chart with run rules so that it runs `arl0` values on average.

    Parameters
    ----------
    arl0 : float
        Wanted average count of values between false alarms.
    rules : str
        As in `arcdrift.charts.run_rules.shewhart_arl`.

    Returns
    -------
    float
        Factor on the lines at 1, 2 and 3 standard deviations.

    Raises
    ------
    BadInput
        For an unknown rule, or when the wanted run length is out of the chart's reach.
    """
    if "4" in rules and arl0 >= (most := shewhart_arl(rules=rules, widen=10.0)):
        raise BadInput(
            f"With the rule of eight points in a row a chart alarms once in {most:.0f} points "
            f"however wide its lines, so not once in {arl0:.0f}; leave that rule out."
        )
    return _limit_for(lambda widen: shewhart_arl(rules=rules, widen=widen), arl0, least=1e-3)


@lru_cache(maxsize=1024)
def cusum_limit(k: float, arl0: float, *, sided: Sided, head_start: float = 0.0) -> float:
    """Decision interval at which a CUSUM without shift runs `arl0` values on average.

    Parameters
    ----------
    k : float
        Reference value in standard deviations of a plotted value.
    arl0 : float
        Wanted average count of values between false alarms.
    sided
        As in `arcdrift.charts.run_length.cusum_arl`.
    head_start : float
        Start of the sum (of both, when two-sided) as a share of h; 0.5 is common.

    Returns
    -------
    float
        h in standard deviations of a plotted value, to about 1e-10.

    Raises
    ------
    BadInput
        When the wanted run length is out of the chart's reach.
    """
    return _limit_for(lambda h: cusum_arl(k, h, sided=sided, head_start=head_start * h), arl0)


def _limit_for(
    arl: Callable[[float], float], arl0: float, *, least: float = 0.0, xtol: float = 1e-11
) -> float:
    _check_reach(arl0, arl(least))
    upper = 1.0
    while arl(upper) < arl0:
        upper += 1.0

    def excess(limit: float) -> float:
        return math.log(min(arl(limit), LONGEST) / arl0)

    root = brentq(excess, max(upper - 1.0, least), upper, xtol=xtol)
    return float(root)


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


def widened(limit: float, lag1: float) -> float:
    """Widen an EWMA limit for values that follow each other: ``limit sqrt((1 + a) / (1 - a))``.

    The factor is the growth of the standard deviation of a long mean under first-order
    autocorrelation `lag1` (a); for a fast EWMA it is on the careful side. A negative `lag1`
    narrows the limit.

    Raises
    ------
    BadInput
        When `lag1` is not between -1 and 1.
    """
    if not -1.0 < lag1 < 1.0:
        raise BadInput(f"A lag-1 autocorrelation lies between -1 and 1, not at {lag1:g}.")
    return limit * math.sqrt((1.0 + lag1) / (1.0 - lag1))


@dataclass(frozen=True)
class Constants:
    """Control chart constants of samples of `n` normal values (3-sigma limits).

    ``c4``: mean of s over sigma. ``d2``, ``d3``: mean and standard deviation of the range over
    sigma. ``A``, ``A2``, ``A3``: half widths for means from sigma, mean range, mean s.
    ``B3``, ``B4`` (from mean s) and ``B5``, ``B6`` (from sigma): limits for s.
    ``D1``, ``D2`` (from sigma) and ``D3``, ``D4`` (from mean range): limits for ranges.
    """

    n: int
    c4: float
    d2: float
    d3: float

    @property
    def A(self) -> float:  # noqa: D102
        return 3.0 / math.sqrt(self.n)

    @property
    def A2(self) -> float:  # noqa: D102
        return self.A / self.d2

    @property
    def A3(self) -> float:  # noqa: D102
        return self.A / self.c4

    @property
    def B3(self) -> float:  # noqa: D102
        return self.B5 / self.c4

    @property
    def B4(self) -> float:  # noqa: D102
        return self.B6 / self.c4

    @property
    def B5(self) -> float:  # noqa: D102
        return max(0.0, self.c4 - 3.0 * math.sqrt(1.0 - self.c4**2))

    @property
    def B6(self) -> float:  # noqa: D102
        return self.c4 + 3.0 * math.sqrt(1.0 - self.c4**2)

    @property
    def D1(self) -> float:  # noqa: D102
        return max(0.0, self.d2 - 3.0 * self.d3)

    @property
    def D2(self) -> float:  # noqa: D102
        return self.d2 + 3.0 * self.d3

    @property
    def D3(self) -> float:  # noqa: D102
        return self.D1 / self.d2

    @property
    def D4(self) -> float:  # noqa: D102
        return self.D2 / self.d2


@lru_cache(maxsize=256)
def constants(n: int) -> Constants:
    """Control chart constants for samples of size `n`, to about 1e-10.

    ``c4 = sqrt(2 / (n - 1)) Gamma(n / 2) / Gamma((n - 1) / 2)``; the moments of the range W are
    ``E W^k = k int w^(k - 1) P(W > w) dw`` with
    ``P(W <= w) = n int phi(x) (Phi(x + w) - Phi(x))^(n - 1) dx``.

    Raises
    ------
    BadInput
        When `n` is below 2.
    """
    if n < 2:
        raise BadInput(f"Control chart constants need samples of at least 2 values, not {n}.")
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))
    nodes, weights = np.polynomial.legendre.leggauss(160)
    w, w_weights = 9.0 * (nodes + 1.0), 9.0 * weights
    # Equal steps are exact to rounding for an integrand that dies off at both ends.
    x = np.linspace(-9.0, 9.0, 361)
    phi = np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
    inside = (ndtr(x[None, :] + w[:, None]) - ndtr(x)[None, :]) ** (n - 1)
    beyond = 1.0 - n * (inside @ phi) * (x[1] - x[0])
    d2 = float(w_weights @ beyond)
    second = float(2.0 * (w_weights * w) @ beyond)
    return Constants(n, c4, d2, math.sqrt(second - d2**2))


@dataclass(frozen=True)
class Limits:
    """Center line, standard deviation and 3-sigma limits of an individuals chart; `n` values."""

    center: float
    sigma: float
    lower: float
    upper: float
    n: int


def individuals_limits(x: ArrayLike, *, d2: float = PRINTED_D2) -> Limits:
    """Limits of an individuals chart: ``mean +- 3 MRbar / d2``.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in time order; a missing value (NaN) breaks the moving range on both its sides.
    d2 : float
        1.128 by convention; ``constants(2).d2`` unrounded.

    Raises
    ------
    BadInput
        When no two values follow each other.
    """
    values: FloatArray = np.asarray(x, dtype=np.float64)
    ranges = np.abs(np.diff(values))
    ranges = ranges[~np.isnan(ranges)]
    if len(ranges) == 0:
        raise BadInput("An individuals chart needs at least two values that follow each other.")
    seen = values[~np.isnan(values)]
    center, sigma = float(seen.mean()), float(ranges.mean()) / d2
    return Limits(center, sigma, center - 3.0 * sigma, center + 3.0 * sigma, len(seen))
