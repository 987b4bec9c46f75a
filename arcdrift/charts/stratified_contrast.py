"""Two ways of working compared within strata, with an interval that allows for unequal days.

Such as holder against clamp within the same person, splicer and program: strata in which only one
of the two was used say nothing and drop out by themselves.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.intervals import CONFIDENCE_LEVEL

Kind = Literal["odds", "ratio", "difference"]
FEWEST_CLUSTERS = 5
"""Clusters in strata with both arms from which an interval is given."""


@dataclass(frozen=True)
class Contrast:
    """One arm against the other.

    Attributes
    ----------
    estimate, low, high : float
        Odds ratio, ratio of means or difference of means, second arm against first, with its 95 %
        interval; NaN where it cannot be told.
    counts : (float, float)
        Counts of each arm in strata in which both were used.
    clusters : int
        Clusters, such as days, in these strata.
    strata : int
        Number of these strata.
    """

    estimate: float
    low: float
    high: float
    counts: tuple[float, float]
    clusters: int
    strata: int


def stratified_contrast(
    second: Bools,
    total: Floats,
    count: Floats,
    stratum: Ints,
    cluster: Ints,
    kind: Kind,
) -> Contrast:
    """Compare two arms within strata (Mantel and Haenszel), with an interval over clusters.

    Parameters
    ----------
    second : array of bool, shape (cells,)
        Whether a cell belongs to the second arm.
    total, count : array of shape (cells,)
        Sum over the cell, and how many it is the sum of: for odds, events of that many trials.
    stratum, cluster : array of int, shape (cells,)
        Numbers from 0 on.

    Notes
    -----
    With T and N the sums and counts of a stratum's arms 1 and 2, and N their sum, the estimate is
    R / S, where for odds R = sum T2 (N1 - T1) / N and S = sum T1 (N2 - T2) / N (Mantel and
    Haenszel 1959); for a ratio R = sum T2 N1 / N, S = sum T1 N2 / N; for a difference
    R = sum (T2 N1 - T1 N2) / N, S = sum N1 N2 / N (Greenland and Robins 1985, Biometrics 41,
    55-68).

    The variance is that of the jackknife over clusters, on the log scale for odds and ratios, and
    for odds not less than that of independent trials (Robins, Breslow and Greenland 1986,
    Biometrics 42, 311-323). Student's t has one degree of freedom less than there are clusters.
    """
    refused = Contrast(np.nan, np.nan, np.nan, (0.0, 0.0), 0, 0)
    if not len(total):
        return refused
    size, arm = int(stratum.max()) + 1, second.astype(np.int64)
    sums = _by_arm(stratum, arm, total, size), _by_arm(stratum, arm, count, size)
    both: Bools = np.asarray((sums[1] > 0).all(axis=1))
    used = both[stratum] & (count > 0)
    if not used.any():
        return refused
    stratum, arm, cluster = stratum[used], arm[used], cluster[used]
    total, count = total[used], count[used]
    terms = _terms(*sums, kind)
    r, s = (float(term[both].sum()) for term in terms)
    clusters = len(np.unique(cluster))
    counts = (float(count[arm == 0].sum()), float(count[arm == 1].sum()))
    shape = Contrast(np.nan, np.nan, np.nan, counts, clusters, int(both.sum()))
    estimate = _combined(np.array(r), np.array(s), kind)
    if not np.isfinite(estimate) or clusters < FEWEST_CLUSTERS:
        return shape
    # only the strata of a cluster change when it is left out
    pairs, pair = np.unique(cluster * size + stratum, return_inverse=True)
    at = pairs % size
    left = [
        whole[at] - _by_arm(pair, arm, values, len(pairs))
        for whole, values in zip(sums, (total, count), strict=True)
    ]
    _, owner = np.unique(pairs // size, return_inverse=True)
    without_r, without_s = (
        np.asarray(whole + np.bincount(owner, new - term[at]), dtype=np.float64)
        for whole, new, term in zip((r, s), _terms(left[0], left[1], kind), terms, strict=True)
    )
    replicates = _combined(without_r, without_s, kind)
    if not np.isfinite(replicates).all():
        return shape
    spread = ((replicates - replicates.mean()) ** 2).sum() * (clusters - 1) / clusters
    if kind == "odds":
        spread = max(spread, _independent_variance(sums[0][both], sums[1][both]))
    half = float(stdtrit(clusters - 1, 0.5 + CONFIDENCE_LEVEL / 2.0) * np.sqrt(spread))
    ends = float(estimate) + np.array([0.0, -half, half])
    value, low, high = (ends if kind == "difference" else np.exp(ends)).tolist()
    return Contrast(value, low, high, counts, clusters, int(both.sum()))


def _by_arm(group: Ints, arm: Ints, values: Floats, size: int) -> Floats:
    """Sums of values by group and arm, shape (size, 2)."""
    sums = np.bincount(2 * group + arm, values, minlength=2 * size)
    return np.asarray(sums.reshape(size, 2), dtype=np.float64)


def _terms(total: Floats, count: Floats, kind: Kind) -> tuple[Floats, Floats]:
    """Terms of R and S of each stratum (`stratified_contrast`); 0 without a count."""
    (t1, t2), (n1, n2) = total.T, count.T
    n = np.maximum(n1 + n2, 1e-300)
    if kind == "odds":
        return t2 * (n1 - t1) / n, t1 * (n2 - t2) / n
    if kind == "ratio":
        return t2 * n1 / n, t1 * n2 / n
    return (t2 * n1 - t1 * n2) / n, n1 * n2 / n


def _combined(r: Floats, s: Floats, kind: Kind) -> Floats:
    """Estimate from R and S, as a logarithm for odds and ratios; NaN where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        if kind == "difference":
            return np.asarray(np.where(s > 1e-9, r / s, np.nan))
        return np.asarray(np.where((r > 1e-12) & (s > 1e-12), np.log(r / s), np.nan))


def _independent_variance(total: Floats, count: Floats) -> float:
    """Variance of the log odds ratio for independent trials (Robins, Breslow and Greenland)."""
    (t1, t2), (n1, n2) = total.T, count.T
    n = n1 + n2
    p, q = (t2 + n1 - t1) / n, (t1 + n2 - t2) / n
    r, s = t2 * (n1 - t1) / n, t1 * (n2 - t2) / n
    first = (p * r).sum() / (2 * r.sum() ** 2)
    second = (p * s + q * r).sum() / (2 * r.sum() * s.sum())
    return float(first + second + (q * s).sum() / (2 * s.sum() ** 2))
