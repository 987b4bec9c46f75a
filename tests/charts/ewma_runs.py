"""EWMA charts over a whole series, one step of the package at a time."""

import numpy as np
from numpy.typing import ArrayLike

from arcdrift.arrays import Floats
from arcdrift.charts.ewma import EwmaStep, ewma_step
from arcdrift.charts.run_length import Sided

NO_ALARMS = 1e9
"""A limit that is never reached: the path is then a plain EWMA."""


def run_ewma(
    z: ArrayLike, lam: float, limit: ArrayLike, *, sided: Sided, start: ArrayLike = 0.0
) -> EwmaStep:
    """Values and signals of the shape of z, (n,) or (n, charts), and the last state."""
    values: Floats = np.asarray(z, dtype=np.float64)
    limits = np.broadcast_to(np.asarray(limit, dtype=np.float64), values.shape)
    path, signal = np.empty(values.shape), np.empty(values.shape, dtype=np.int8)
    state: Floats = np.broadcast_to(np.asarray(start, np.float64), values.shape[1:])
    for i in range(len(values)):
        step = ewma_step(state, values[i], lam, limits[i], sided=sided)
        path[i], signal[i], state = step.value, step.signal, step.state
    return EwmaStep(path, signal, state)


def plain_path(x: ArrayLike, lam: float, *, start: float = 0.0) -> Floats:
    """Path of plain EWMAs without resets."""
    return run_ewma(x, lam, NO_ALARMS, sided="two", start=start).value
