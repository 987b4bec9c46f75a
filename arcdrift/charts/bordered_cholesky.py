"""Cholesky factor of a matrix that is block-diagonal but for a border, without its zeros.

Random effects of one unit only (a machine's streams, what its service changed) are not tied to
those of another unit but through effects that several units share (people, days). Ordered so, the
matrix of all effects and its factor are ::

    [ A   E ]     [ L_A    0  ] [ L_A'  F ]
    [ E'  D ]  =  [ F'    L_S ] [ 0   L_S' ]       F = L_A^-1 E,   L_S L_S' = D - F'F

with ``A`` of one small block for each unit. The work grows with the number of units, where that of
the whole matrix grows with its cube. In the border, effects that few units share come before those
that many do: of the former, a sum over some cells needs few (Golub and Van Loan, Matrix
Computations, 4.2 and 4.3, on Cholesky factors of block and banded matrices).
"""

from functools import cached_property

import numpy as np
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.sparse import csr_array

from arcdrift.arrays import Bools, Floats, Ints

SIZE_STEP = 8
"""Blocks are factored together with others of about their size, in steps of so many rows."""
SERIES_AT_ONCE = 64
"""Series of columns that are summed at once, which bounds the memory."""
WIDE_SHARE = 0.125
"""A border row that more than this share of the units have is filled wherever these are."""


class EffectOrder:
    """Order of random effects in which their matrix has blocks and a border.

    Parameters
    ----------
    rows, effects : array of int
        Cells and the effects that they have, in pairs.
    unit : array of int, shape (cells,)
        Unit of each cell.
    size : int
        Number of effects.

    Attributes
    ----------
    place : array of int, shape (effects,)
        Place of each effect: those of single units first, by unit, then those of few units.
    unit : array of int
        Unit of each of the first effects, in that order.
    narrow : int
        How many of the effects that several units share have few units.
    """

    def __init__(self, rows: Ints, effects: Ints, unit: Ints, size: int) -> None:
        units = int(unit.max(initial=-1)) + 1
        pairs = csr_array((np.ones(len(rows)), (effects, unit[rows])), shape=(size, max(units, 1)))
        shared_by = np.diff(pairs.indptr)
        own = np.full(size, units)
        own[shared_by == 1] = pairs.indices[pairs.indptr[:-1][shared_by == 1]]
        is_wide = (shared_by > 1) & (shared_by > WIDE_SHARE * units)
        order = np.lexsort((own, is_wide))
        self.place = np.empty(size, dtype=np.int64)
        self.place[order] = np.arange(size)
        self.unit = own[order][: int((shared_by == 1).sum())]
        self.narrow = int(((shared_by > 1) & ~is_wide).sum())


class BorderedCholesky:
    """Lower factor ``L`` of a symmetric positive definite matrix in the order of `EffectOrder`.

    Parameters
    ----------
    matrix : sparse array, shape (effects, effects)
    order : EffectOrder
    """

    def __init__(self, matrix: csr_array, order: EffectOrder) -> None:
        self._own, self._narrow = len(order.unit), order.narrow
        own = self._own
        self._inverse = _inverse_factors(matrix[:own, :own], order.unit)
        shared = self._inverse @ matrix[:own, own:]
        self._few = csr_array(shared[:, : self._narrow])
        self._many: Floats = shared[:, self._narrow :].toarray()
        corner = matrix[own:, own:].toarray()
        n = self._narrow
        corner[:n, :n] -= (self._few.T @ self._few).toarray()
        corner[n:, :n] -= self._many.T @ self._few
        corner[n:, n:] -= self._many.T @ self._many
        self._corner: Floats = cholesky(corner, lower=True, overwrite_a=True, check_finite=False)

    def solve(self, columns: Floats) -> Floats:
        """``L^-1`` times some columns, shape (effects, k)."""
        own = self._inverse @ columns[: self._own]
        return np.vstack([own, self._solve_corner(columns[self._own :] - self._shared_sums(own))])

    def solve_transposed(self, columns: Floats) -> Floats:
        """``L'^-1`` times some columns, shape (effects, k)."""
        own = self._own
        shared = solve_triangular(
            self._corner, columns[own:], lower=True, trans="T", check_finite=False
        )
        few, many = shared[: self._narrow], shared[self._narrow :]
        rest = columns[:own] - self._few @ few - self._many @ many
        return np.vstack([self._inverse.T @ rest, shared])

    def _solve_corner(self, columns: Floats) -> Floats:
        solved = solve_triangular(self._corner, columns, lower=True, check_finite=False)
        return np.asarray(solved, dtype=np.float64)

    def _shared_sums(self, own: Floats) -> Floats:
        return np.vstack([self._few.T @ own, self._many.T @ own])

    def squares_of_later_sums(self, columns: csr_array, wanted: Bools) -> Floats:
        """Squared norm of ``L^-1`` times the sum of a column and those after it in its series.

        Parameters
        ----------
        columns : sparse array, shape (series * length, effects)
            The columns as rows, each series in order.
        wanted : array of bool, shape (series, length)
            Which sums are asked for.

        Returns
        -------
        array, shape (wanted sums,)
            In the order of their series.
        """
        series, length = wanted.shape
        n = self._narrow
        # what the effects that few units share say of those that many share
        shared = solve_triangular(
            self._corner[:n, :n], self._corner[n:, :n].T, lower=True, trans="T", check_finite=False
        )
        parts = []
        for first in range(0, series, SERIES_AT_ONCE):
            some = slice(first, min(first + SERIES_AT_ONCE, series))
            rows = slice(some.start * length, some.stop * length)
            parts.append(self._squares(columns[rows], shared, wanted[some]))
        return np.concatenate([*parts, np.zeros(0)])

    def _squares(self, columns: csr_array, shared: Floats, wanted: Bools) -> Floats:
        (series, length), wide = wanted.shape, self._own + self._narrow
        own = csr_array(columns[:, : self._own] @ self._inverse.T)
        few = csr_array(columns[:, self._own : wide] - own @ self._few)
        many = columns[:, wide:].toarray() - own @ self._many - few @ shared
        start, _, sums = _later_sums_of_series(own, series, length)
        squares = np.vstack([np.zeros((1, length)), np.cumsum(sums**2, axis=0)])
        total = np.diff(squares[start], axis=0)
        start, effect, sums = _later_sums_of_series(few, series, length)
        size = np.diff(start)
        for width in np.unique(size[size > 0]):  # series with so many of the effects at once
            alike = np.flatnonzero(size == width)
            at = start[alike][:, None] + np.arange(width)
            number, own_sums = effect[at], sums[at]
            inverse = self._inverse_of_few[number[:, :, None], number[:, None, :]]
            total[alike] += ((inverse @ own_sums) * own_sums).sum(axis=1)
        sums = later_sums(many.reshape(series, length, -1), axis=1)[wanted]
        corner = self._corner[self._narrow :, self._narrow :]
        rest = solve_triangular(corner, sums.T, lower=True, check_finite=False)
        return np.asarray(total[wanted] + np.einsum("es,es->s", rest, rest))

    @cached_property
    def _inverse_of_few(self) -> Floats:
        """Inverse of the corner's part of effects that few units share."""
        n = self._narrow
        identity = np.eye(n)
        return np.asarray(cho_solve((self._corner[:n, :n], True), identity, check_finite=False))


def _inverse_factors(matrix: csr_array, unit: Ints) -> csr_array:
    """Inverses of the lower factors of the blocks of a matrix, each of one unit (in order)."""
    entries = matrix.tocoo()
    first = np.searchsorted(unit, unit)
    place, width = np.arange(len(unit)) - first, np.bincount(unit)
    padded = -(-width // SIZE_STEP) * SIZE_STEP
    rows, columns, values = [], [], []
    for size in np.unique(padded[width > 0]):
        units = np.flatnonzero(padded == size)
        number = np.full(len(width), -1)
        number[units] = np.arange(len(units))
        blocks = np.zeros((len(units), size, size))
        blocks[:, np.arange(size), np.arange(size)] = 1.0  # rows that a block does not have
        row, column = entries.coords
        here = number[unit[row]] >= 0
        row, column = row[here], column[here]
        blocks[number[unit[row]], place[row], place[column]] = entries.data[here]
        inverse = np.tril(np.linalg.inv(np.linalg.cholesky(blocks)))
        block, i, j = np.nonzero(
            (np.arange(size)[:, None] >= np.arange(size))
            & (np.arange(size) < width[units][:, None])[:, :, None]
        )
        start = np.searchsorted(unit, units)[block]
        rows.append(start + i)
        columns.append(start + j)
        values.append(inverse[block, i, j])
    none = np.zeros(0, dtype=np.int64)
    joined = [np.concatenate([*parts, none]) for parts in (rows, columns)]
    return csr_array((np.concatenate([*values, np.zeros(0)]), tuple(joined)), shape=matrix.shape)


def _later_sums_of_series(
    columns: csr_array, series: int, length: int
) -> tuple[Ints, Ints, Floats]:
    """Sums from each column of a series to its end, for the effects that it has.

    Returns
    -------
    start : array, shape (series + 1,)
        Where the effects of each series begin.
    effect : array, shape (pairs,)
    sums : array, shape (pairs, length)
    """
    entries = columns.tocoo()
    row, effect = (part.astype(np.int64) for part in entries.coords)
    width = max(columns.shape[1], 1)
    pair = row // length * width + effect
    present = np.zeros(series * width, dtype=bool)
    present[pair] = True
    pairs, number = np.flatnonzero(present), np.cumsum(present)[pair] - 1
    size = len(pairs) * length
    values = np.bincount(number * length + row % length, entries.data, minlength=size)
    start = np.searchsorted(pairs, np.arange(series + 1) * width)
    return (
        start,
        pairs % width,
        later_sums(np.asarray(values, np.float64).reshape(-1, length), axis=1),
    )


def later_sums(values: Floats, axis: int) -> Floats:
    """Sums from each position to the end of an axis."""
    return np.asarray(np.flip(np.cumsum(np.flip(values, axis), axis=axis), axis))
