"""Matrices of people and machines that are zero for pairs who never shared a row.

They are held by the pairs who did; only where a factor needs it are they put together, in the
blocks of `arcdrift.charts.partly_diagonal`.
"""

import numpy as np

from arcdrift.analysis.common.mixed_columns import MixedColumns
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.partly_diagonal import Blocks, PartlyDiagonal, largest_diagonal_group


class LevelPairs:
    """Pairs of levels in a row of any of some columns.

    Parameters
    ----------
    kind : array of int, shape (levels,)
        Number of the grouping of each level.
    columns : MixedColumns
        Its sparse columns are the levels.

    Attributes
    ----------
    first, second : array of int, shape (pairs,)
        Levels of each pair, ``first <= second``.
    alone : array of bool, shape (levels,)
        The largest grouping of which no two levels are a pair.
    """

    def __init__(self, kind: Ints, *columns: MixedColumns) -> None:
        self._levels = levels = len(kind)
        self._numbers = np.unique(
            np.concatenate([part.first * levels + part.second for part in columns])
        )
        self.first, self.second = np.divmod(self._numbers, levels)
        self._place = {
            id(part): np.searchsorted(self._numbers, part.first * levels + part.second)
            for part in columns
        }
        self._differ = np.flatnonzero(self.first != self.second)
        self.alone = largest_diagonal_group(kind, self.first, self.second)
        # number of each level among those of its block
        own = np.where(self.alone, np.cumsum(self.alone), np.cumsum(~self.alone)) - 1
        first, second = self.alone[self.first], self.alone[self.second]
        self._diagonal = np.flatnonzero(first & second)
        self._border, self._corner = (
            np.flatnonzero(first != second),
            np.flatnonzero(~(first | second)),
        )
        of_border = self.first[self._border], self.second[self._border]
        turned = self.alone[of_border[0]]
        self._border_at = tuple(
            own[np.where(turned, *pair)] for pair in (of_border[::-1], of_border)
        )
        self._diagonal_at = own[self.first[self._diagonal]]
        self._corner_at = own[self.first[self._corner]], own[self.second[self._corner]]

    def spread(self, columns: MixedColumns, values: Floats) -> Floats:
        """Values of the pairs of some of the columns as values of all pairs."""
        found = np.zeros(len(self.first))
        found[self._place[id(columns)]] = values
        return found

    def chosen(self, columns: MixedColumns, values: Floats) -> Floats:
        """Values of the pairs of some of the columns, of those of all pairs."""
        return np.asarray(values[self._place[id(columns)]])

    def scaled(self, values: Floats, scale: Floats) -> Floats:
        """Matrix times a factor for the row and the column of each level."""
        return scale[self.first] * values * scale[self.second]

    def diagonal(self, values: Floats) -> Floats:
        """Diagonal of a matrix, shape (levels,)."""
        found = np.zeros(self._levels)
        same = self.first == self.second
        found[self.first[same]] = values[same]
        return found

    def product(self, values: Floats, vector: Floats) -> Floats:
        """Matrix times a vector, shape (levels,)."""
        first, second, differ = self.first, self.second, self._differ
        result = np.bincount(first, values * vector[second], self._levels)
        result += np.bincount(second[differ], (values * vector[first])[differ], self._levels)
        return np.asarray(result, dtype=np.float64)

    def factor(self, moments: Floats, scale: Floats) -> PartlyDiagonal:
        """Factor of I + D M D for a diagonal D."""
        values = self.scaled(moments, scale)
        alone = int(self.alone.sum())
        rest = len(self.alone) - alone
        diagonal, border, corner = np.ones(alone), np.zeros((rest, alone)), np.eye(rest)
        diagonal[self._diagonal_at] += values[self._diagonal]
        border[self._border_at] = values[self._border]
        corner[self._corner_at] += values[self._corner]
        turned = self._corner_at[::-1]
        corner[turned] = corner[self._corner_at]
        return PartlyDiagonal(Blocks(diagonal, border, corner), self.alone)

    def of_blocks(self, matrix: Blocks) -> Floats:
        """Entries of a matrix at the pairs."""
        found = np.empty(len(self.first))
        found[self._diagonal] = matrix.diagonal[self._diagonal_at]
        found[self._border] = matrix.border[self._border_at]
        found[self._corner] = matrix.corner[self._corner_at]
        return found

    def reduced_diagonal(
        self, moments: Floats, scale: Floats, factor: PartlyDiagonal, inverse: Floats
    ) -> Floats:
        """Diagonal of M - M D A^-1 D M for A = I + D M D, shape (levels,).

        Parameters
        ----------
        moments : array, shape (pairs,)
            M.
        scale : array, shape (levels,)
            Diagonal of D; some may be zero.
        factor : PartlyDiagonal
            Factor of A.
        inverse : array, shape (pairs,)
            Inverse of A.

        Notes
        -----
        The matrix is ``D^-1 A^-1 D M``, whose diagonal needs no product of whole matrices; where D
        is zero it is found from the columns of ``D M``.
        """
        zero = scale == 0.0
        diagonal = self.product(inverse * moments, scale) / np.where(zero, 1.0, scale)
        if zero.any():
            number = np.cumsum(zero) - 1
            columns = np.zeros((len(scale), int(zero.sum())))
            for row, column in ((self.first, self.second), (self.second, self.first)):
                inside = zero[column]
                columns[row[inside], number[column[inside]]] = (scale[row] * moments)[inside]
            diagonal[zero] = self.diagonal(moments)[zero] - factor.squares(columns)
        return np.asarray(diagonal)
