"""Exponentially weighted moving averages (EWMA): settled limits, and one step of many charts.

Roberts 1959, Technometrics 1, 239-250; limits as in Lucas and Saccucci 1990, Technometrics 32,
1-12. A missing value (NaN) leaves an average as it was; the point itself is NaN and never an
alarm.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arcdrift.arrays import Floats
from arcdrift.charts.run_length import Sided
from arcdrift.errors import BadInput


def _check_weight(lam: float) -> None:
    if not 0.0 < lam <= 1.0:
        raise BadInput(f"The EWMA weight must be above 0 and at most 1, not {lam:g}.")


def settled_limits(
    lam: float, limit: float, *, center: float = 0.0, sigma: float = 1.0
) -> tuple[float, float]:
    """Constant limits ``center -+ limit sigma sqrt(lam / (2 - lam))`` as (lower, upper)."""
    _check_weight(lam)
    half = limit * sigma * math.sqrt(lam / (2.0 - lam))
    return center - half, center + half


@dataclass(frozen=True)
class EwmaStep:
    """One step of many charts; each array has one entry per chart.

    Attributes
    ----------
    value : ndarray of float
        The average as plotted, before any reset; NaN where the value was missing.
    signal : ndarray of int8
        1 above the upper limit, -1 below the lower limit, else 0.
    state : ndarray of float
        The average to continue with: 0 after a signal, unchanged after a missing value.
    """

    value: Floats
    signal: NDArray[np.int8]
    state: Floats


def ewma_step(
    state: ArrayLike, z: ArrayLike, lam: float, limit: ArrayLike, *, sided: Sided
) -> EwmaStep:
    """Update charts with one standardized value each, and reset those that alarm to 0.

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
        ``"one"``: upper chart that reflects at 0 (pass ``-z`` for a lower one). ``"two"``: plain
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
    before = np.asarray(state, dtype=np.float64)
    line = limits * math.sqrt(lam / (2.0 - lam))
    value = (1.0 - lam) * before + lam * np.asarray(z, dtype=np.float64)
    if sided == "one":
        value = np.maximum(value, 0.0)  # keeps NaN
    signal = (value > line).astype(np.int8) - (value < -line).astype(np.int8)
    carried = np.where(np.isnan(value), before, value)
    return EwmaStep(value, signal, np.where(signal != 0, 0.0, carried))
