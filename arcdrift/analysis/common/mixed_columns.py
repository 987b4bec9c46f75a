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
    pairs : csr_array of shape (q * q, n)
        Products of the sparse values of each row (`pair_products`).
    """

    def __init__(self, dense: Floats, sparse: csr_array) -> None:
        self.dense, self.sparse = dense, sparse
        self.transposed = sparse.T.tocsr()
        self.pairs = pair_products(sparse)

    def beside(self, dense: Floats) -> "MixedColumns":
        """Return the same sparse columns beside other dense ones."""
        columns = copy(self)
        columns.dense = dense
        return columns

    def moments(self, weight: Floats) -> Floats:
        """Return C' diag(weight) C, of shape (p + q, p + q)."""
        p = self.dense.shape[1]
        size = p + self.sparse.shape[1]
        weighted = weight[:, None] * self.dense
        result = np.empty((size, size))
        result[:p, :p] = self.dense.T @ weighted
        result[p:, :p] = self.transposed @ weighted
        result[:p, p:] = result[p:, :p].T
        result[p:, p:] = (self.pairs @ weight).reshape(size - p, size - p)
        return result

    def sparse_variances(self, covariance: Floats) -> Floats:
        """Return the diagonal of S covariance S', of shape (n,), for a symmetric covariance."""
        return np.asarray(self.pairs.T @ covariance.ravel())

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


def pair_products(columns: csr_array) -> csr_array:
    """Products of every two values in a row of a sparse matrix A of shape (n, q).

    Returns
    -------
    csr_array of shape (q * q, n)
        P, such that A' diag(w) A is ``P @ w`` and the diagonal of A C A' is ``P.T @ C.ravel()``:
        the row-wise Kronecker product of A with itself, transposed.
    """
    count = np.diff(columns.indptr)
    row = np.repeat(np.arange(len(count)), count)
    # each value beside every value of its row, itself included
    partners = count[row]
    first = np.repeat(np.arange(len(row)), partners)
    turn = np.arange(len(first)) - np.repeat(np.cumsum(partners) - partners, partners)
    second = columns.indptr[row[first]] + turn
    pair = columns.indices[first].astype(np.int64) * columns.shape[1] + columns.indices[second]
    products = columns.data[first] * columns.data[second]
    return csr_array((products, (pair, row[first])), shape=(columns.shape[1] ** 2, len(count)))


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
