"""Solves equations whose matrix is diagonal for some of the unknowns.

People who never share a row with each other are tied by the machines only. Ordered so, the matrix
and its inverse are ::

    [ A   B' ]     with W = B A^-1 and       [ A^-1 + W' S^-1 W   -W' S^-1 ]
    [ B   C  ]     S = C - B A^-1 B'         [     -S^-1 W           S^-1  ]

with ``A`` diagonal, so that only ``S`` is factored: the work is that of the machines alone (Golub
and Van Loan, Matrix Computations, 3.2, on block elimination).
"""

from typing import NamedTuple

import numpy as np
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.linalg.blas import dsyrk
from scipy.linalg.lapack import dpotri

from arcdrift.arrays import Bools, Floats, Ints

FEWEST_UNKNOWNS = 200
"""Fewest unknowns of which some are eliminated; 86 (30 splicers and 38 people) took longer then."""


class Blocks(NamedTuple):
    """A symmetric matrix whose first unknowns are `alone`.

    Attributes
    ----------
    diagonal : array, shape (alone,)
    border : array, shape (rest, alone)
    corner : array, shape (rest, rest)
    """

    diagonal: Floats
    border: Floats
    corner: Floats


class PartlyDiagonal:
    """Factor of a symmetric positive definite matrix.

    Parameters
    ----------
    matrix : Blocks
    alone : array of bool, shape (n,)
        Unknowns among which the matrix is diagonal.

    Attributes
    ----------
    log_determinant : float
    """

    def __init__(self, matrix: Blocks, alone: Bools) -> None:
        self._alone, self._rest = np.flatnonzero(alone), np.flatnonzero(~alone)
        self._diagonal, border, corner = matrix
        self._scaled = border
        if len(self._alone):
            # W of the module's formulas
            self._scaled = border / self._diagonal
            half = border / np.sqrt(self._diagonal)
            corner = dsyrk(-1.0, half.T, beta=1.0, c=corner.T, trans=1, lower=1)
        self._root = cholesky(corner, lower=True, check_finite=False)
        logs = np.log(self._diagonal).sum() + 2.0 * np.log(np.diag(self._root)).sum()
        self.log_determinant = float(logs)

    def solve(self, columns: Floats) -> Floats:
        """Inverse of the matrix times some columns, shape (n,) or (n, k)."""
        if not len(self._alone):
            return np.asarray(cho_solve((self._root, True), columns, check_finite=False))
        own = columns[self._alone]
        right = columns[self._rest] - self._scaled @ own
        rest = cho_solve((self._root, True), right, check_finite=False)
        solution = np.empty(columns.shape)
        solution[self._rest] = rest
        solution[self._alone] = (own.T / self._diagonal).T - self._scaled.T @ rest
        return solution

    def squares(self, columns: Floats) -> Floats:
        """Each column's square, weighted by the inverse of the matrix, shape (k,)."""
        own, right = columns[self._alone], columns[self._rest]
        found = np.zeros(columns.shape[1])
        if own.any():
            right = right - self._scaled @ own
            found += (own**2 / self._diagonal[:, None]).sum(axis=0)
        half = solve_triangular(self._root, right, lower=True, check_finite=False)
        return np.asarray(found + (half**2).sum(axis=0))

    def inverse(self) -> Blocks:
        """Inverse of the matrix, without entries of two different `alone` unknowns."""
        corner, _ = dpotri(self._root, lower=True)
        # the upper triangle, in the order of the memory
        above = np.triu(corner.T)
        corner = above + np.triu(above, 1).T
        reach = corner @ self._scaled
        variance = 1.0 / self._diagonal + (self._scaled * reach).sum(axis=0)
        return Blocks(variance, -reach, corner)

    def whole_inverse(self) -> Floats:
        """Inverse of the matrix, shape (n, n)."""
        blocks = self.inverse()
        if not len(self._alone):
            return blocks.corner
        whole = np.empty((len(self._alone) + len(self._rest),) * 2)
        own = -(self._scaled.T @ blocks.border)
        own[np.diag_indices_from(own)] = blocks.diagonal
        whole[np.ix_(self._alone, self._alone)] = own
        whole[np.ix_(self._rest, self._alone)] = blocks.border
        whole[np.ix_(self._alone, self._rest)] = blocks.border.T
        whole[np.ix_(self._rest, self._rest)] = blocks.corner
        return whole


def largest_diagonal_group(group: Ints, first: Ints, second: Ints) -> Bools:
    """Unknowns of the largest group among which a matrix is diagonal.

    Parameters
    ----------
    group : array of int, shape (n,)
        Number of the group of each unknown, not negative.
    first, second : array of int, shape (entries,)
        Unknowns of each entry of the matrix that is not zero.

    Returns
    -------
    array of bool, shape (n,)
        False everywhere if there is no such group, or if there are so few unknowns
        (`FEWEST_UNKNOWNS`) that to leave out zeros takes longer than to compute with them.
    """
    if len(group) < FEWEST_UNKNOWNS:
        return np.zeros(len(group), dtype=bool)
    sizes = np.bincount(group)
    tied = np.zeros(len(sizes), dtype=bool)
    tied[group[first[(first != second) & (group[first] == group[second])]]] = True
    if tied.all():
        return np.zeros(len(group), dtype=bool)
    return np.asarray(group == np.argmax(np.where(tied, -1, sizes)))
