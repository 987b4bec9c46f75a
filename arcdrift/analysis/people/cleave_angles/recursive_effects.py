"""Crossed effects learned a day at a time: what earlier days let expect of a day's angles.

A Kalman filter whose states are the levels of people, machines and fibers, each a random walk with
small steps (Durbin and Koopman 2012, Time Series Analysis by State Space Methods, chapter 4). With
a single subject it is the local level model.
"""

from typing import NamedTuple

import numpy as np
from scipy.linalg.blas import dtrsm
from scipy.linalg.lapack import dpotrf
from scipy.sparse import csr_array

from arcdrift.arrays import Bools, Floats


class Prediction(NamedTuple):
    """What the days so far let expect of some rows.

    Attributes
    ----------
    expected : array, shape (rows,)
    error : array, shape (rows, rows)
        Covariance of the errors of these expectations.
    with_effects : array, shape (rows, effects)
        Covariance of the expectations with each effect.
    """

    expected: Floats
    error: Floats
    with_effects: Floats


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
        self.covariance.ravel()[:: len(self.mean) + 1] += self._step

    def predict(self, design: csr_array) -> Prediction:
        """Expected values of some rows.

        Parameters
        ----------
        design : sparse array, shape (rows, effects)
            A row has a few effects only, so products with it cost little.
        """
        with_effects = design @ self.covariance
        return Prediction(design @ self.mean, design @ with_effects.T, with_effects)

    def learn(
        self, prediction: Prediction, used: Bools, residual: Floats, variance: Floats
    ) -> None:
        """Update with rows of independent noise.

        Parameters
        ----------
        prediction : Prediction
            Of the rows, since the last update.
        used : array of bool, shape (rows,)
            Rows to learn from.
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
        if not used.any():
            return
        _, error, gain = prediction
        if not used.all():
            error, gain = error[np.ix_(used, used)], gain[used]
            residual, variance = residual[used], variance[used]
        error = error.copy()
        error.ravel()[:: len(error) + 1] += variance
        # arrays of Fortran's order are views of those here, transposed, so that none is copied
        factor, failed = dpotrf(error.T, lower=1, clean=0, overwrite_a=1)
        if failed:
            raise np.linalg.LinAlgError("the covariance of the residuals is not positive definite")
        explained = dtrsm(1.0, factor, residual[:, None], lower=1)
        gain = dtrsm(1.0, factor, gain.T, side=1, lower=1, trans_a=1, overwrite_b=1)
        self.mean = self.mean + gain @ explained[:, 0]
        self.covariance -= gain @ gain.T
