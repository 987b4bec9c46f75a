"""Tabular CUSUM with the counters that date a shift (Page 1954, Biometrika 41, 100-115)."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arcdrift.charts.run_length import FloatArray
from arcdrift.errors import BadInput


@dataclass(frozen=True)
class CusumSignal:
    """The first alarm of a CUSUM.

    Attributes
    ----------
    side : {"upper", "lower"}
        Which sum passed its limit.
    index : int
        Position of the value that raised the alarm.
    onset : int
        Position of the first value after the shift: where the sum last left 0.
    new_mean : float
        Mean since then, in the values' unit: ``target + k + S / N`` (upper side).
    """

    side: Literal["upper", "lower"]
    index: int
    onset: int
    new_mean: float


@dataclass(frozen=True)
class Cusum:
    """Both sums at each value, how long each has been above 0, and the first alarm if any.

    `upper` and `lower` are in the values' unit, NaN where the value is missing; `n_upper` and
    `n_lower` count values (0 where missing). All of shape (n,).
    """

    upper: FloatArray
    lower: FloatArray
    n_upper: NDArray[np.int64]
    n_lower: NDArray[np.int64]
    signal: CusumSignal | None


def cusum(
    x: ArrayLike, k: float, h: float, *, target: float = 0.0, head_start: float = 0.0
) -> Cusum:
    """Two-sided tabular CUSUM of one series.

    ``upper = max(0, upper + x - target - k)``, ``lower = max(0, lower - (x - target) - k)``,
    alarm when either is above `h`. Without a loop: a sum that cannot fall below 0 is the plain
    cumulative sum less its running minimum.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in time order; a missing value (NaN) leaves both sums where they were.
    k, h : float
        Reference value and decision interval, in the unit of `x`.
    target : float
        Mean without a shift.
    head_start : float
        Start of both sums, in the unit of `x`.

    Raises
    ------
    BadInput
        When `k`, `h` or the head start is out of range.
    """
    if not (k >= 0.0 and h > 0.0 and 0.0 <= head_start <= h):
        raise BadInput(
            "A CUSUM needs k of at least 0, h above 0 and a head start from 0 to h, "
            f"not k {k:g}, h {h:g}, head start {head_start:g}."
        )
    values: FloatArray = np.asarray(x, dtype=np.float64)
    where = np.flatnonzero(~np.isnan(values))
    deviation = values[where] - target
    up, n_up = _one_side(deviation - k, head_start)
    down, n_down = _one_side(-deviation - k, head_start)
    return Cusum(
        _spread(up, where, len(values), np.nan),
        _spread(down, where, len(values), np.nan),
        _spread(n_up, where, len(values), 0).astype(np.int64),
        _spread(n_down, where, len(values), 0).astype(np.int64),
        _first_alarm(up, down, n_up, n_down, where, k=k, h=h, target=target),
    )


def _one_side(step: FloatArray, head_start: float) -> tuple[FloatArray, NDArray[np.int64]]:
    plain = head_start + np.cumsum(step)
    total = plain - np.minimum(np.minimum.accumulate(plain), 0.0)
    position = np.arange(1, len(step) + 1)
    last_zero = np.maximum.accumulate(np.where(total > 0.0, 0, position))
    return total, position - last_zero


def _spread(
    seen: NDArray[np.float64] | NDArray[np.int64], where: NDArray[np.intp], n: int, missing: float
) -> FloatArray:
    full = np.full(n, missing, dtype=np.float64)
    full[where] = seen
    return full


def _first_alarm(
    up: FloatArray,
    down: FloatArray,
    n_up: NDArray[np.int64],
    n_down: NDArray[np.int64],
    where: NDArray[np.intp],
    *,
    k: float,
    h: float,
    target: float,
) -> CusumSignal | None:
    alarms = np.flatnonzero((up > h) | (down > h))
    if len(alarms) == 0:
        return None
    at = int(alarms[0])
    rising = bool(up[at] > h)
    total, count = (up[at], n_up[at]) if rising else (down[at], n_down[at])
    mean = target + (k + total / count) * (1.0 if rising else -1.0)
    return CusumSignal(
        "upper" if rising else "lower",
        int(where[at]),
        int(where[at - count + 1]),
        float(mean),
    )
