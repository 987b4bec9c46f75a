"""Charts around a fitted straight line: a relation under control, a calibration under control."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit
from scipy.stats import linregress

from arcdrift.charts.run_length import FloatArray
from arcdrift.errors import BadInput


@dataclass(frozen=True)
class Line:
    """Ordinary least squares of y on x: ``y = intercept + slope x``.

    `se_intercept`, `se_slope` are standard errors, `s` the residual standard deviation with
    `df` degrees of freedom.
    """

    intercept: float
    slope: float
    se_intercept: float
    se_slope: float
    s: float
    df: int


@dataclass(frozen=True)
class LineChart:
    """Points of a chart around a line.

    `value` (shape (n,), NaN where x or y is missing), the half width `limit` of the band around
    0, and `outside`, true where the value is strictly beyond it.
    """

    value: FloatArray
    limit: float
    outside: NDArray[np.bool_]


def fit_line(x: ArrayLike, y: ArrayLike) -> Line:
    """Fit a straight line to the pairs in which neither value is missing.

    Raises
    ------
    BadInput
        When fewer than three pairs are left, or all x are equal.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    whole = ~(np.isnan(xs) | np.isnan(ys))
    xs, ys = xs[whole], ys[whole]
    if len(xs) < 3 or np.ptp(xs) == 0.0:
        raise BadInput("A line needs at least three pairs of values, with more than one x.")
    fit = linregress(xs, ys)
    residual = ys - fit.intercept - fit.slope * xs
    df = len(xs) - 2
    return Line(
        intercept=float(fit.intercept),
        slope=float(fit.slope),
        se_intercept=float(fit.intercept_stderr),
        se_slope=float(fit.stderr),
        s=math.sqrt(float(residual @ residual) / df),
        df=df,
    )


def regression_chart(line: Line, x: ArrayLike, y: ArrayLike, *, width: float = 2.0) -> LineChart:
    """Regression control chart: residuals within ``+- width s`` of the line.

    Mandel 1969, Journal of Quality Technology 1(1), 1-9 (from memory): limits run parallel to the
    line, at two residual standard deviations. `x` and `y` are new pairs, in the units the line
    was fitted in.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    return _chart(ys - line.intercept - line.slope * xs, width * line.s)


def calibration_chart(
    line: Line, x: ArrayLike, y: ArrayLike, *, alpha: float = 0.05, together: int = 1
) -> LineChart:
    """Control of a linear calibration by check standards, in the unit of x.

    ``W = (Y - a) / b - X`` within ``+- s t / b``: the corrected reading of a standard less its
    known value (Croarkin and Varner 1982, NBS Technical Note 1164; NIST/SEMATECH e-Handbook
    2.3.6.7). The slope and intercept errors are taken as small against `s`.

    Parameters
    ----------
    line : Line
        Fit of the instrument's readings y on known values x.
    x, y : array_like, shape (n,)
        Known values of the check standards and their readings.
    alpha : float
        Chance of a false alarm for one set of standards.
    together : int
        Standards measured together as one set: the level of a single one is
        ``1 - (1 - alpha)^(1 / together)``, half of it on each side.

    Raises
    ------
    BadInput
        When `alpha` or `together` is out of range, or the line is flat.
    """
    if not 0.0 < alpha < 1.0:
        raise BadInput(f"A false-alarm chance lies between 0 and 1, not at {alpha:g}.")
    if together < 1:
        raise BadInput(f"A set has at least one check standard, not {together}.")
    if line.slope == 0.0:
        raise BadInput("The calibration line is flat, so readings say nothing about the values.")
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    tail = 0.5 * -math.expm1(math.log1p(-alpha) / together)
    limit = line.s * float(stdtrit(line.df, 1.0 - tail)) / abs(line.slope)
    return _chart((ys - line.intercept) / line.slope - xs, limit)


def _chart(value: FloatArray, limit: float) -> LineChart:
    return LineChart(value, limit, np.abs(value) > limit)
