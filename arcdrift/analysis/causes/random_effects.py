"""Which cells moved at an onset: a shift of a set of cells against none, by likelihood.

A set is fair only if all of it moved: cells in it that stayed where they were speak against it,
and cells outside it that moved as well speak for a larger one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.special import log_ndtr

from arcdrift.arrays import Bools, Floats, Ints

NONE = 1e12
"""Precision of a level that is no level."""


@dataclass(frozen=True)
class Shift:
    """A shift of one set of cells.

    Attributes
    ----------
    size : float
        Estimate, shrunken, in the unit of the values.
    evidence : float
        Natural log of the Bayes factor of a shift to the side asked for against none.
    information : float
        Inverse variance of the estimate that is not shrunken; 0 where nothing can be told.
    """

    size: float
    evidence: float
    information: float


NOTHING = Shift(0.0, 0.0, 0.0)


class Levels:
    """Values of cells about their usual levels, ready to be asked about shifts.

    Parameters
    ----------
    values : array, shape (cells,)
        What is left after each cell's expectation.
    variance : array, shape (cells,)
        Of each value, were all levels known.
    groups : sequence of (codes, sd)
        Random levels: for each cell the number of its group (-1 for none), and the sd of the
        levels about 0.

    Notes
    -----
    Values are normal with covariance ``V = diag(variance) + Z G Z'``. For a set with indicator
    ``c`` the score is ``u = c'V^-1 y`` with information ``A = c'V^-1 c``; with a prior
    ``N(0, t^2)`` on the shift, kept to one side, the Bayes factor against no shift is
    ``2 Phi(u t / sqrt(1 + t^2 A)) exp(u^2 t^2 / (2 (1 + t^2 A))) / sqrt(1 + t^2 A)``
    (conjugate normal model). ``V^-1`` comes from the matrix inversion lemma, so the cost is that
    of one small matrix however many cells there are: of its Cholesky factor ``L L'``, as only
    products of the form ``a' (L L')^-1 b`` are asked for.
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
            precision.append(np.where(names < 0, NONE, 1.0 / sd**2))
        self._size = ends[-1]
        matrix = np.diag(np.concatenate(precision))
        # only the triangle that is read
        for row in range(len(groups)):
            for column in range(row + 1):
                one, other = self._codes[row] - ends[row], self._codes[column] - ends[column]
                shape = ends[row + 1] - ends[row], ends[column + 1] - ends[column]
                shared = np.bincount(one * shape[1] + other, self._w, minlength=shape[0] * shape[1])
                matrix[ends[row] : ends[row + 1], ends[column] : ends[column + 1]] += (
                    shared.reshape(shape)
                )
        self._factor = cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
        self._fitted = self._half(self._sums(self._wy))

    def _half(self, sums: Floats) -> Floats:
        """``L^-1`` times sums by level, for the inner matrix ``L L'``."""
        return np.asarray(
            solve_triangular(self._factor, sums, lower=True, check_finite=False), dtype=np.float64
        )

    def _sums(self, weights: Floats, rows: Bools | slice = slice(None)) -> Floats:
        total = np.zeros(self._size)
        for codes in self._codes:
            total += np.bincount(codes[rows], weights, minlength=self._size)
        return total

    def shift(self, cells: Bools, side: float, spread: float) -> Shift:
        """Tell of a shift of some cells to one side.

        Parameters
        ----------
        cells : array of bool, shape (cells,)
            The cells that would have moved.
        side : float
            1 for up, -1 for down.
        spread : float
            Prior sd of the shift.
        """
        if not cells.any():
            return NOTHING
        mine = self._half(self._sums(self._w[cells], cells))
        information = float(self._w[cells].sum() - mine @ mine)
        score = side * float(self._wy[cells].sum() - mine @ self._fitted)
        inflated = 1.0 + spread**2 * information
        size = score * spread**2 / inflated
        evidence = (
            0.5 * score * size
            - 0.5 * np.log(inflated)
            + np.log(2.0)
            + float(log_ndtr(score * spread / np.sqrt(inflated)))
        )
        return Shift(side * size, float(evidence), max(information, 0.0))
