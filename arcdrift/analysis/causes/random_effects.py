"""Random-effects model of cells, and Bayes factors of a shift of a set of cells against none.

Cells of the set that did not shift lower its Bayes factor; if cells outside it shifted as well, a
larger set has a higher one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.special import log_ndtr

from arcdrift.arrays import Bools, Floats, Ints

FIXED_PRECISION = 1e12
"""Precision of the effect of cells without a group, which fixes it at 0."""


@dataclass(frozen=True)
class Shift:
    """Estimated shift of one set of cells.

    Attributes
    ----------
    size : float
        Posterior mean, in the unit of the values.
    log_bayes_factor : float
        Natural log of the Bayes factor of a shift to the given side against no shift.
    information : float
        Inverse variance of the generalized least-squares estimate; 0 without information.
    """

    size: float
    log_bayes_factor: float
    information: float


NO_SHIFT = Shift(0.0, 0.0, 0.0)


class RandomEffectsModel:
    """Residuals of cells with random group effects, for testing shifts of sets of cells.

    Parameters
    ----------
    values : array, shape (cells,)
        Residuals of the cells from their expectations.
    variance : array, shape (cells,)
        Variance of each value given the random effects.
    groups : sequence of (codes, sd)
        Random effects: for each cell the code of its group (-1 for none), and the standard
        deviation of the effects, whose mean is 0.

    Notes
    -----
    Values are normal with covariance ``V = diag(variance) + Z G Z'``. For a set with indicator
    ``c`` the score is ``u = c'V^-1 y`` with information ``A = c'V^-1 c``; with a prior
    ``N(0, t^2)`` on the shift, restricted to one side, the Bayes factor against no shift is
    ``2 Phi(u t / sqrt(1 + t^2 A)) exp(u^2 t^2 / (2 (1 + t^2 A))) / sqrt(1 + t^2 A)``
    (conjugate normal model). ``V^-1`` comes from the matrix inversion lemma, so the cost is that
    of one matrix of the size of the group effects, whatever the number of cells. Its Cholesky
    factor ``L`` is enough, as only products of the form ``a' (L L')^-1 b`` are needed.
    """

    def __init__(
        self, values: Floats, variance: Floats, groups: Sequence[tuple[Ints, float]]
    ) -> None:
        self._w = 1.0 / variance
        self._wy = self._w * values
        self._codes: list[Ints] = []
        precision: list[Floats] = []
        ends = [0]
        for codes, sd in groups:
            names, dense = np.unique(codes, return_inverse=True)
            self._codes.append(dense + ends[-1])
            ends.append(ends[-1] + len(names))
            precision.append(np.where(names < 0, FIXED_PRECISION, 1.0 / sd**2))
        self._size = ends[-1]
        matrix = np.diag(np.concatenate(precision))
        # only the lower triangle is used
        for row in range(len(groups)):
            for column in range(row + 1):
                code, other = self._codes[row] - ends[row], self._codes[column] - ends[column]
                shape = ends[row + 1] - ends[row], ends[column + 1] - ends[column]
                shared = np.bincount(
                    code * shape[1] + other, self._w, minlength=shape[0] * shape[1]
                )
                matrix[ends[row] : ends[row + 1], ends[column] : ends[column + 1]] += (
                    shared.reshape(shape)
                )
        self._factor = cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
        self._solved_values = self._forward_solve(self._group_sums(self._wy))

    def _forward_solve(self, sums: Floats) -> Floats:
        """``L^-1`` times sums by group, for the inner matrix ``L L'``."""
        return np.asarray(
            solve_triangular(self._factor, sums, lower=True, check_finite=False), dtype=np.float64
        )

    def _group_sums(self, weights: Floats, rows: Bools | slice = slice(None)) -> Floats:
        total = np.zeros(self._size)
        for codes in self._codes:
            total += np.bincount(codes[rows], weights, minlength=self._size)
        return total

    def shift_bayes_factor(self, cells: Bools, side: float, prior_sd: float) -> Shift:
        """Estimate a shift of some cells to one side, and its Bayes factor against none.

        Parameters
        ----------
        cells : array of bool, shape (cells,)
            The cells that would have shifted.
        side : float
            1 for up, -1 for down.
        prior_sd : float
            Prior standard deviation of the shift.
        """
        if not cells.any():
            return NO_SHIFT
        solved = self._forward_solve(self._group_sums(self._w[cells], cells))
        information = float(self._w[cells].sum() - solved @ solved)
        score = side * float(self._wy[cells].sum() - solved @ self._solved_values)
        inflated = 1.0 + prior_sd**2 * information
        size = score * prior_sd**2 / inflated
        log_bayes_factor = (
            0.5 * score * size
            - 0.5 * np.log(inflated)
            + np.log(2.0)
            + float(log_ndtr(score * prior_sd / np.sqrt(inflated)))
        )
        return Shift(side * size, float(log_bayes_factor), max(information, 0.0))
