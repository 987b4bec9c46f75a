"""Normal equations of random effects beside levels of groups, which are absorbed.

Henderson's mixed model equations, the fixed levels eliminated exactly.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from arcdrift.arrays import Floats, Ints


@dataclass(frozen=True)
class LevelEquations:
    """Normal equations of random effects after the levels of groups were absorbed.

    Attributes
    ----------
    matrix, right : arrays, shape (effects, effects) and (effects,)
    weight, mean : arrays, shape (groups,)
        Sum of weights and weighted mean of each group.
    shares : sparse matrix, shape (groups, effects)
        Weighted mean share of each effect in each group.
    """

    matrix: Floats
    right: Floats
    weight: Floats
    mean: Floats
    shares: csr_matrix


def absorb_levels(
    value: Floats, variance: Floats, group: Ints, groups: int, shares: csr_matrix
) -> LevelEquations:
    """Normal equations of the effects in `shares` after the mean of each group was absorbed."""
    weight = 1.0 / variance
    sums = np.bincount(group, weight, minlength=groups).astype(np.float64)
    share = weight / sums[group]
    by_group = csr_matrix((share, (group, np.arange(len(group)))), shape=(groups, len(group)))
    mean = np.bincount(group, share * value, minlength=groups).astype(np.float64)
    # few people work on one stream, so that products of shares are sparse
    mean_shares = by_group @ shares
    weighted, summed = _times(shares, weight), _times(mean_shares, sums)
    matrix = (shares.T @ weighted - mean_shares.T @ summed).toarray()
    right = np.asarray(weighted.T @ value) - mean_shares.T @ (sums * mean)
    return LevelEquations(matrix, right, sums, mean, mean_shares)


def _times(matrix: csr_matrix, factor: Floats) -> csr_matrix:
    """The matrix with each row multiplied by a factor."""
    values = matrix.data * np.repeat(factor, np.diff(matrix.indptr))
    return csr_matrix((values, matrix.indices, matrix.indptr), shape=matrix.shape)
