"""Normal equations of random effects beside levels of groups, which are absorbed.

Henderson's mixed model equations, the fixed levels eliminated exactly.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix, diags

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
    by_group = csr_matrix((weight, (group, np.arange(len(group)))), shape=(groups, len(group)))
    sums = np.bincount(group, weight, minlength=groups).astype(np.float64)
    filled = np.maximum(sums, 1e-300)
    mean = np.asarray(by_group @ value) / filled
    # few people work on one stream, so that the products of shares are sparse
    mean_shares = diags(1.0 / filled, format="csr") @ by_group @ shares
    weighted = shares.multiply(weight[:, None]).tocsr()
    explained = mean_shares.T @ mean_shares.multiply(sums[:, None]).tocsr()
    matrix = (shares.T @ weighted - explained).toarray()
    right = np.asarray(weighted.T @ value) - mean_shares.T @ (sums * mean)
    return LevelEquations(matrix, right, sums, mean, mean_shares)
