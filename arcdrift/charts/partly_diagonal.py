"""Solves equations whose matrix is diagonal for some of the unknowns.

People who never share a row with each other are tied by the machines only. Ordered so, the matrix
and its inverse are ::

    [ A   B' ]     with W = B A^-1 and       [ A^-1 + W' S^-1 W   -W' S^-1 ]
    [ B   C  ]     S = C - B A^-1 B'         [     -S^-1 W           S^-1  ]

with ``A`` diagonal and ``B`` sparse, so that only ``S`` is factored: the work is that of the
machines alone (Golub and Van Loan, Matrix Computations, 3.2, on block elimination).
"""

import numpy as np
from scipy.linalg import cho_solve, cholesky
from scipy.linalg.lapack import dpotri
from scipy.sparse import csr_array

from arcdrift.arrays import Bools, Floats, Ints

FEWEST_UNKNOWNS = 200
"""Fewest unknowns of which some are eliminated; 86 (30 splicers and 38 people) took longer then."""


class PartlyDiagonal:
    """Factor of a symmetric positive definite matrix.

    Parameters
    ----------
    matrix : array, shape (n, n)
    alone : array of bool, shape (n,)
        Unknowns among which the matrix is diagonal.

    Attributes
    ----------
    log_determinant : float
    """

    def __init__(self, matrix: Floats, alone: Bools) -> None:
        self._alone, self._rest = np.flatnonzero(alone), np.flatnonzero(~alone)
        self._diagonal = np.diag(matrix)[self._alone]
        corner = matrix
        if len(self._alone):
            corner = self._eliminate(matrix)
        self._root = cholesky(corner, lower=True, check_finite=False)
        logs = np.log(self._diagonal).sum() + 2.0 * np.log(np.diag(self._root)).sum()
        self.log_determinant = float(logs)

    def _eliminate(self, matrix: Floats) -> Floats:
        """Matrix of the other unknowns after `alone` ones were eliminated."""
        border = csr_array(matrix[np.ix_(self._alone, self._rest)])
        self._border_of_rest = csr_array(border.T)
        # W' of the module's formulas
        self._scaled = csr_array(border.multiply(1.0 / self._diagonal[:, None]))
        corner = matrix[np.ix_(self._rest, self._rest)]
        corner -= (self._border_of_rest @ self._scaled).toarray()
        return corner

    def solve(self, columns: Floats) -> Floats:
        """Inverse of the matrix times some columns, shape (n,) or (n, k)."""
        if not len(self._alone):
            return np.asarray(cho_solve((self._root, True), columns, check_finite=False))
        own = (columns[self._alone].T / self._diagonal).T
        right = columns[self._rest] - self._border_of_rest @ own
        rest = cho_solve((self._root, True), right, check_finite=False)
        solution = np.empty(columns.shape)
        solution[self._rest] = rest
        solution[self._alone] = own - self._scaled @ rest
        return solution

    def inverse(self) -> Floats:
        """Inverse of the matrix, shape (n, n), without entries of two different `alone` unknowns.

        These are zero instead.
        """
        corner, _ = dpotri(self._root, lower=True)
        # the upper triangle, in the order of the memory
        above = np.triu(corner.T)
        corner = above + np.triu(above, 1).T
        if not len(self._alone):
            return np.asarray(corner)
        reach = self._scaled @ corner
        found = np.zeros((len(self._alone) + len(self._rest),) * 2)
        found[np.ix_(self._rest, self._rest)] = corner
        found[np.ix_(self._alone, self._rest)] = -reach
        found[np.ix_(self._rest, self._alone)] = -reach.T
        variance = 1.0 / self._diagonal + self._scaled.multiply(reach).sum(axis=1)
        found[self._alone, self._alone] = variance
        return found


def largest_diagonal_group(group: Ints, *matrices: Floats) -> Bools:
    """Unknowns of the largest group among which all of some matrices are diagonal.

    Parameters
    ----------
    group : array of int, shape (n,)
        Number of the group of each unknown, not negative.
    matrices : array, shape (n, n)

    Returns
    -------
    array of bool, shape (n,)
        False everywhere if there is no such group, or if there are so few unknowns
        (`FEWEST_UNKNOWNS`) that to leave out zeros takes longer than to compute with them.
    """
    if len(group) < FEWEST_UNKNOWNS:
        return np.zeros(len(group), dtype=bool)
    sizes = np.bincount(group)
    for number in np.argsort(-sizes, kind="stable").tolist():
        members = group == number
        parts = [matrix[np.ix_(members, members)] for matrix in matrices]
        if all(np.count_nonzero(part) == np.count_nonzero(np.diag(part)) for part in parts):
            return np.asarray(members)
    return np.zeros(len(group), dtype=bool)
