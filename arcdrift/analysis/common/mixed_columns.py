"""Columns of a mixed model: few dense ones, and sparse ones that mark who did each row.

Fitting one needs their weighted moments again and again, with other weights each time. What does
not depend on the weights, the products of the sparse values of a row, is therefore kept.
"""

from copy import copy

import numpy as np
import pandas as pd
from scipy.sparse import csr_array

from arcdrift.analysis.common.grouping import group_index
from arcdrift.arrays import Floats, Ints


class MixedColumns:
    """Columns C = [D S] of n rows.

    Parameters
    ----------
    dense : ndarray of shape (n, p)
        D: covariates.
    sparse : csr_array of shape (n, q)
        S: indicators of people and machines (`indicators`), or sums of them.

    Attributes
    ----------
    first, second : array of int, shape (pairs,)
        The sparse columns of each pair that some row has, ``first <= second``; in order.
    pairs : csr_array of shape (pairs, n)
        Products of the values of each pair in each row (`pair_products`).
    """

    def __init__(self, dense: Floats, sparse: csr_array) -> None:
        self.dense, self.sparse = dense, sparse
        self.transposed = sparse.T.tocsr()
        self.first, self.second, self.pairs = pair_products(sparse)
        self._twice = np.where(self.first == self.second, 1.0, 2.0)

    def beside(self, dense: Floats) -> "MixedColumns":
        """Return the same sparse columns beside other dense ones."""
        columns = copy(self)
        columns.dense = dense
        return columns

    def moments(self, weight: Floats) -> Floats:
        """Return C' diag(weight) C, of shape (p + q, p + q)."""
        p = self.dense.shape[1]
        size = p + self.sparse.shape[1]
        result = np.zeros((size, size))
        result[:, :p] = self.dense_moments(weight)
        result[:p, p:] = result[p:, :p].T
        sums = self.pairs @ weight
        result[p + self.first, p + self.second] = sums
        result[p + self.second, p + self.first] = sums
        return result

    def dense_moments(self, weight: Floats) -> Floats:
        """Return C' diag(weight) D, of shape (p + q, p)."""
        weighted = weight[:, None] * self.dense
        return np.concatenate([self.dense.T @ weighted, self.transposed @ weighted])

    def sparse_variances(self, covariance: Floats) -> Floats:
        """Return the diagonal of S covariance S', of shape (n,).

        Parameters
        ----------
        covariance : ndarray of shape (pairs,)
            Covariance of the effects of each pair of columns.
        """
        return np.asarray(self.pairs.T @ (self._twice * covariance))

    def values(self, effects: Floats) -> Floats:
        """Return C effects, of shape (n,)."""
        p = self.dense.shape[1]
        return np.asarray(self.dense @ effects[:p] + self.sparse @ effects[p:])

    def sums(self, values: Floats) -> Floats:
        """Return C' values, of shape (p + q,)."""
        return np.concatenate([self.dense.T @ values, self.transposed @ values])

    def sums_by(self, members: csr_array, weight: Floats) -> "MixedColumns":
        """Return weighted sums of the rows of each group, one row a group.

        Parameters
        ----------
        members : csr_array of shape (groups, n)
            Indicator of each group's rows.
        """
        weighted = members * weight
        return MixedColumns(weighted @ self.dense, (weighted @ self.sparse).tocsr())


def pair_products(columns: csr_array) -> tuple[Ints, Ints, csr_array]:
    """Products of every two values in a row of a sparse matrix A of shape (n, q).

    Returns
    -------
    first, second : ndarray of shape (pairs,)
        The columns of each pair that some row has, ``first <= second``.
    products : csr_array of shape (pairs, n)
        P, such that ``P @ w`` are the entries of A' diag(w) A at these pairs, and all others zero.
    """
    count = np.diff(columns.indptr)
    row = np.repeat(np.arange(len(count)), count)
    # each value beside every value of its row, itself included
    partners = count[row]
    left = np.repeat(np.arange(len(row)), partners)
    turn = np.arange(len(left)) - np.repeat(np.cumsum(partners) - partners, partners)
    right = columns.indptr[row[left]] + turn
    once = columns.indices[left] <= columns.indices[right]
    left, right = left[once], right[once]
    first, second = (columns.indices[side].astype(np.int64) for side in (left, right))
    place, at = group_index(first, second)
    products = columns.data[left] * columns.data[right]
    shape = len(at), len(count)
    return first[at], second[at], csr_array((products, (place, row[left])), shape=shape)


def members(group: Ints) -> csr_array:
    """Indicator of each group's rows, shape (groups, rows)."""
    order = np.argsort(group, kind="stable")
    ends = np.concatenate([[0], np.cumsum(np.bincount(group))])
    shape = len(ends) - 1, len(group)
    return csr_array((np.ones(len(group)), order, ends), shape=shape)


def indicators(groups: pd.DataFrame) -> tuple[csr_array, Ints, list[tuple[str, str]]]:
    """Indicator columns of the levels of each grouping.

    Returns
    -------
    columns : csr_array of shape (rows, levels)
        Groupings in their order, the levels of each in alphabetical order.
    kind : ndarray of shape (levels,)
        Number of the grouping of each column.
    labels : list of (str, str)
        Grouping and name of each column.
    """
    codes, kinds = [], []
    labels: list[tuple[str, str]] = []
    for number, name in enumerate(map(str, groups.columns)):
        code, first = group_index(groups[name])
        codes.append(code + len(labels))
        kinds.append(np.full(len(first), number))
        labels += [(name, str(level)) for level in groups[name].array[first]]
    ends = np.arange(len(groups) + 1) * len(codes)
    column = np.column_stack(codes).ravel()
    shape = len(groups), len(labels)
    marks = csr_array((np.ones(len(column)), column, ends), shape=shape)
    return marks, np.concatenate(kinds), labels
