"""Exponentially weighted moving averages: one path, limits, and many charts that reset.

Roberts 1959, Technometrics 1, 239-250; limits as in Lucas and Saccucci 1990, Technometrics 32,
1-12. A missing value (NaN) leaves an average where it was: the point itself is NaN, never an
alarm and never "fine".
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from arcdrift.charts.run_length import FloatArray, Sided
from arcdrift.errors import BadInput

SignalArray = NDArray[np.int8]


def _check_weight(lam: float) -> None:
    if not 0.0 < lam <= 1.0:
        raise BadInput(f"The EWMA weight must be above 0 and at most 1, not {lam:g}.")


def ewma(x: ArrayLike, lam: float, *, start: float = 0.0) -> FloatArray:
    """Path of plain EWMAs, ``E = (1 - lam) E + lam x``, without resets.

    Parameters
    ----------
    x : array_like, shape (n,) or (n, series)
        Values in time order; NaN where missing.
    lam : float
        Weight of the newest value, in (0, 1].
    start : float
        The average before the first value, usually the target.

    Returns
    -------
    ndarray, shape of `x`
        The average after each value; NaN where the value is missing.

    Raises
    ------
    BadInput
        When the weight is out of range.
    """
    _check_weight(lam)
    values: FloatArray = np.asarray(x, dtype=np.float64)
    frame = pd.DataFrame(np.concatenate((np.full_like(values[:1], start), values)))
    path = frame.ewm(alpha=lam, adjust=False, ignore_na=True).mean().to_numpy()[1:]
    return np.where(np.isnan(values), np.nan, path.reshape(values.shape))


def settled_limits(
    lam: float, limit: float, *, center: float = 0.0, sigma: float = 1.0
) -> tuple[float, float]:
    """Constant limits ``center -+ limit sigma sqrt(lam / (2 - lam))`` as (lower, upper)."""
    _check_weight(lam)
    half = limit * sigma * math.sqrt(lam / (2.0 - lam))
    return center - half, center + half


def opening_limits(
    lam: float, limit: float, n: int, *, center: float = 0.0, sigma: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Limits that follow the EWMA's exact standard deviation over its first `n` values.

    ``center -+ limit sigma sqrt(lam / (2 - lam) (1 - (1 - lam)^(2 i)))`` for i = 1..n.

    Returns
    -------
    tuple of ndarray, each of shape (n,)
        Lower and upper limits.
    """
    _check_weight(lam)
    spread = np.sqrt(1.0 - (1.0 - lam) ** (2.0 * np.arange(1, n + 1)))
    half = limit * sigma * math.sqrt(lam / (2.0 - lam)) * spread
    return center - half, center + half


def first_signal(path: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> int | None:
    """Position of the first point strictly outside its limits; None when there is none."""
    values = np.asarray(path, dtype=np.float64)
    outside = np.flatnonzero((values < np.asarray(lower)) | (values > np.asarray(upper)))
    return int(outside[0]) if len(outside) else None


@dataclass(frozen=True)
class EwmaStep:
    """One step of many charts, each array of one entry per chart.

    Attributes
    ----------
    value : ndarray of float
        The average as plotted, before any reset; NaN where the value was missing.
    signal : ndarray of int8
        1 above the upper limit, -1 below the lower limit, else 0.
    state : ndarray of float
        The average to carry on with: 0 after a signal, unchanged after a missing value.
    """

    value: FloatArray
    signal: SignalArray
    state: FloatArray


@dataclass(frozen=True)
class EwmaRun:
    """All steps of many charts: `value` and `signal` of the values' shape, and the last state."""

    value: FloatArray
    signal: SignalArray
    state: FloatArray


def ewma_step(
    state: ArrayLike, z: ArrayLike, lam: float, limit: ArrayLike, *, sided: Sided
) -> EwmaStep:
    """Move charts on by one standardized value each, and reset those that alarm to 0.

    Parameters
    ----------
    state : array_like
        Averages before the step, one per chart.
    z : array_like
        Standardized values; NaN where a chart has none.
    lam : float
        Weight of the newest value, in (0, 1].
    limit : array_like
        Limits in standard deviations of the settled EWMA, one per chart or one for all.
    sided : {"one", "two"}
        ``"one"``: upper chart that reflects at 0 (give ``-z`` for a lower one). ``"two"``: plain
        average, alarm on both sides.

    Raises
    ------
    BadInput
        When the weight or a limit is out of range.
    """
    _check_weight(lam)
    limits = np.asarray(limit, dtype=np.float64)
    if not (np.isfinite(limits) & (limits > 0.0)).all():
        raise BadInput("Every EWMA limit must be a number above 0.")
    return _step(np.asarray(state, np.float64), np.asarray(z, np.float64), lam, limits, sided)


def _step(
    state: FloatArray, z: FloatArray, lam: float, limit: FloatArray, sided: Sided
) -> EwmaStep:
    line = limit * math.sqrt(lam / (2.0 - lam))
    value = (1.0 - lam) * state + lam * z
    if sided == "one":
        value = np.maximum(value, 0.0)  # keeps NaN
    signal = (value > line).astype(np.int8) - (value < -line).astype(np.int8)
    kept = np.where(np.isnan(value), state, value)
    return EwmaStep(value, signal, np.where(signal != 0, 0.0, kept))


def ewma_with_resets(
    z: ArrayLike, lam: float, limit: ArrayLike, *, sided: Sided, start: ArrayLike = 0.0
) -> EwmaRun:
    """Run one or many charts over time, each starting again at 0 after its alarms.

    Parameters
    ----------
    z : array_like, shape (n,) or (n, charts)
        Standardized values in time order; NaN where missing.
    lam, sided
        As in `ewma_step`.
    limit : array_like
        Limits in standard deviations of the settled EWMA; anything that broadcasts to `z`, so
        one for all, one per chart, or one per value.
    start : array_like
        Averages before the first value: 0, or the `state` of an earlier run to continue it.

    Returns
    -------
    EwmaRun
        The cost is one vectorized step per time, whatever the number of charts.

    Raises
    ------
    BadInput
        When the weight or a limit is out of range.
    """
    _check_weight(lam)
    values: FloatArray = np.asarray(z, dtype=np.float64)
    limits: FloatArray = np.broadcast_to(np.asarray(limit, dtype=np.float64), values.shape)
    if not (np.isfinite(limits) & (limits > 0.0)).all():
        raise BadInput("Every EWMA limit must be a number above 0.")
    path = np.empty(values.shape)
    signal = np.empty(values.shape, dtype=np.int8)
    state: FloatArray = np.broadcast_to(np.asarray(start, np.float64), values.shape[1:]).copy()
    for i in range(len(values)):
        step = _step(state, values[i], lam, limits[i], sided)
        path[i], signal[i], state = step.value, step.signal, step.state
    return EwmaRun(path, signal, state)
