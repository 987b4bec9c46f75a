"""Crossed effects learned a day at a time: what earlier days let expect of a day's angles.

A Kalman filter whose states are the levels of people, machines and fibers, each a random walk with
small steps (Durbin and Koopman 2012, Time Series Analysis by State Space Methods, chapter 4). With
a single subject it is the local level model.
"""

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.sparse import csr_array

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

    def predict(self, design: csr_array) -> tuple[Floats, Floats]:
        """Expected values of some rows, and the covariance of the errors of these expectations.

        Parameters
        ----------
        design : sparse array, shape (rows, effects)
            A row has a few effects only, so products with it cost little.
        """
        return design @ self.mean, design @ (design @ self.covariance).T

    def learn(self, design: csr_array, residual: Floats, variance: Floats) -> None:
        """Update with rows of independent noise.

        Parameters
        ----------
        design : sparse array, shape (rows, effects)
        residual : array, shape (rows,)
            Values less their expectation.
        variance : array, shape (rows,)
            Variance of the noise.

        Notes
        -----
        With the Cholesky factor L of the covariance of the residuals, L L' = D P D' + V, and
        A = L^-1 D P, the mean grows by A' L^-1 r and the covariance shrinks by A' A, which is
        symmetric to the last digit.
        """
        if not len(residual):
            return
        shared = design @ self.covariance
        factor = cholesky(design @ shared.T + np.diag(variance), lower=True, check_finite=False)
        scaled = solve_triangular(
            factor, np.column_stack([shared, residual]), lower=True, check_finite=False
        )
        gain = np.ascontiguousarray(scaled[:, :-1])
        self.mean = self.mean + gain.T @ scaled[:, -1]
        self.covariance -= gain.T @ gain
