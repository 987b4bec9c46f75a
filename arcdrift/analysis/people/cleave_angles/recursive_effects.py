"""Crossed effects learned a day at a time: what earlier days let expect of a day's angles.

A Kalman filter whose states are the levels of people, machines and fibers, each a random walk with
small steps (Durbin and Koopman 2012, Time Series Analysis by State Space Methods, chapter 4). With
a single subject it is the local level model.
"""

import numpy as np

from arcdrift.arrays import Floats


class RecursiveEffects:
    """Mean and covariance of all effects, given the days so far.

    Parameters
    ----------
    mean, sd : array, shape (effects,)
        Prior.
    daily_sd : array, shape (effects,)
        Standard deviation of the step of each effect from one workday to the next.
    """

    def __init__(self, mean: Floats, sd: Floats, daily_sd: Floats) -> None:
        self.mean = mean.astype(np.float64)
        self.covariance = np.diag(sd**2)
        self._step = daily_sd**2

    def advance(self) -> None:
        """Go on to the next workday."""
        self.covariance[np.diag_indices_from(self.covariance)] += self._step

    def predict(self, design: Floats) -> tuple[Floats, Floats]:
        """Expected values of some rows, and the covariance of the errors of these expectations."""
        return design @ self.mean, design @ self.covariance @ design.T

    def learn(self, design: Floats, residual: Floats, variance: Floats) -> None:
        """Update with rows of independent noise.

        Parameters
        ----------
        residual : array, shape (rows,)
            Values less their expectation.
        variance : array, shape (rows,)
            Variance of the noise.
        """
        if not len(residual):
            return
        shared = self.covariance @ design.T
        gain = np.linalg.solve(design @ shared + np.diag(variance), shared.T).T
        self.mean = self.mean + gain @ residual
        self.covariance = self.covariance - gain @ shared.T
        # rounding must not make it asymmetric over thousands of days
        self.covariance = (self.covariance + self.covariance.T) / 2.0
