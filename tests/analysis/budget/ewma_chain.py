"""Quantiles of the delay of a running one-sided EWMA chart, from a chain of equal cells."""

import numpy as np
from scipy.stats import norm

CELLS = 400


def delay_quantile(lam: float, limit: float, shift: float, probability: float) -> int:
    """Smallest count of values after a shift with an alarm in at least this share of charts.

    The chart reflects at 0 and has run long without shift and without alarm (its quasi-stationary
    state) when the shift begins (Brook and Evans 1972, Biometrika 59, 539-549).
    """
    line = limit * np.sqrt(lam / (2.0 - lam))
    edges = np.linspace(0.0, line, CELLS + 1)
    middle = np.r_[0.0, (edges[1:] + edges[:-1]) / 2.0]  # 0 is a state of its own

    def transition(mean: float) -> np.ndarray:
        expected = (1.0 - lam) * middle + lam * mean
        below = norm.cdf((edges[None, :] - expected[:, None]) / lam)
        return np.column_stack((below[:, 0], np.diff(below, axis=1)))

    values, vectors = np.linalg.eig(transition(0.0).T)
    state = np.abs(vectors[:, np.argmax(values.real)].real)
    state /= state.sum()
    moved, count = transition(shift), 0
    while state.sum() > 1.0 - probability:
        state, count = state @ moved, count + 1
    return count
