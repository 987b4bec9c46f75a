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

from arcdrift.arrays import Bools, Floats, Ints

MOST_ROWS = 160
"""Rows learned from at once: with more, the equations among them cost more than the update."""


class Terms(NamedTuple):
    """What the expectation of some rows is the sum of; each row has as many terms.

    Attributes
    ----------
    place : array of int, shape (rows, terms)
        Effects.
    factor : array, shape (rows, terms)
        What each is multiplied by.
    """

    place: Ints
    factor: Floats

    def of(self, rows: slice | Ints | Bools) -> "Terms":
        """Return the terms of some of the rows."""
        return Terms(self.place[rows], self.factor[rows])

    def matrix(self, effects: int) -> csr_array:
        """Sparse matrix of the rows, shape (rows, effects)."""
        count, terms = self.place.shape
        ends = np.arange(count + 1) * terms
        entries = self.factor.ravel(), self.place.ravel(), ends
        return csr_array(entries, shape=(count, effects))


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

    def expected(self, rows: Terms) -> Floats:
        """Expected values of some rows."""
        return np.asarray((self.mean[rows.place] * rows.factor).sum(axis=1))

    def errors(self, rows: Terms, others: Terms) -> Floats:
        """Covariance of the error of each row's expectation with that of its other row."""
        both = self.covariance[rows.place[:, :, None], others.place[:, None, :]]
        return np.asarray(np.einsum("ij,ijk,ik->i", rows.factor, both, others.factor))

    def learn(self, rows: Terms, residual: Floats, variance: Floats) -> None:
        """Update with rows of independent noise.

        Parameters
        ----------
        residual : array, shape (rows,)
            Values less their expectation.
        variance : array, shape (rows,)
            Variance of the noise.

        Notes
        -----
        With the Cholesky factor L of the covariance of the residuals, L L' = D P D' + V, and
        A = L^-1 D P, the mean grows by A' L^-1 r and the covariance shrinks by A' A. As the noise
        is independent, some rows after others give the same as all at once.
        """
        before = self.mean
        for start in range(0, len(residual), MOST_ROWS):
            some = slice(start, start + MOST_ROWS)
            design = rows.of(some).matrix(len(before))
            shared = design @ self.covariance
            errors = design @ shared.T
            errors.ravel()[:: len(errors) + 1] += variance[some]
            # arrays of Fortran's order are views of those here, transposed, so none is copied
            factor, failed = dpotrf(errors.T, lower=1, clean=0, overwrite_a=1)
            if failed:
                raise np.linalg.LinAlgError("a covariance of residuals is not positive definite")
            remaining = residual[some] - design @ (self.mean - before)
            explained = dtrsm(1.0, factor, remaining[:, None], lower=1)
            gain = dtrsm(1.0, factor, shared.T, side=1, lower=1, trans_a=1, overwrite_b=1)
            self.mean = self.mean + gain @ explained[:, 0]
            self.covariance -= gain @ gain.T
