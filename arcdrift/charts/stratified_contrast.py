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


@dataclass(frozen=True)
class Contrasts:
    """One arm against the other, for each of several owners of strata.

    Attributes
    ----------
    estimate, low, high, clusters, strata : array, shape (owners,)
    counts : array, shape (owners, 2)
        As in `Contrast`.
    """

    estimate: Floats
    low: Floats
    high: Floats
    counts: Floats
    clusters: Ints
    strata: Ints

    def of(self, owner: int) -> Contrast:
        """Return the contrast of one owner."""
        first, second = self.counts[owner].tolist()
        return Contrast(
            float(self.estimate[owner]), float(self.low[owner]), float(self.high[owner]),
            (first, second), int(self.clusters[owner]), int(self.strata[owner]),
        )  # fmt: skip


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
    if not len(total):
        return Contrast(np.nan, np.nan, np.nan, (0.0, 0.0), 0, 0)
    return StratifiedCells(second, stratum, cluster).contrasts(total, count, kind).of(0)


class StratifiedCells:
    """Cells whose arms are compared within the strata of each owner, by several measures.

    Parameters
    ----------
    second, stratum, cluster
        As for `stratified_contrast`; at least one cell.
    owner : array of int, shape (cells,), optional
        Number of each cell's owner, from 0 on; one owner of all if not given. A stratum belongs
        to one owner; clusters may be shared.
    """

    def __init__(
        self, second: Bools, stratum: Ints, cluster: Ints, owner: Ints | None = None
    ) -> None:
        owner = np.zeros(len(stratum), dtype=np.int64) if owner is None else owner
        self._stratum, self._arm = stratum, second.astype(np.int64)
        self._size, self._owners = int(stratum.max()) + 1, int(owner.max()) + 1
        self._owner = np.zeros(self._size, dtype=np.int64)  # of each stratum
        self._owner[stratum] = owner
        clusters = int(cluster.max()) + 1
        # strata of one owner side by side, so that those of a cluster are too
        turn = np.argsort(np.argsort(self._owner, kind="stable"), kind="stable")
        key = (owner * clusters + cluster) * self._size + turn[stratum]
        _, first, self._pair = np.unique(key, return_index=True, return_inverse=True)
        self._at = stratum[first]  # stratum of each pair of a cluster and a stratum
        own = (owner * clusters + cluster)[first]
        is_first = np.diff(own, prepend=-1) > 0
        self._cluster = np.cumsum(is_first) - 1  # of each pair
        self._holder = own[is_first] // clusters  # of each cluster

    def contrasts(self, total: Floats, count: Floats, kind: Kind) -> Contrasts:
        """Compare the arms of each owner (`stratified_contrast`)."""
        owners, arm, pair, at = self._owners, self._arm, self._pair, self._at
        sums = tuple(_by_arm(self._stratum, arm, part, self._size) for part in (total, count))
        both: Bools = np.asarray((sums[1] > 0).all(axis=1))
        used = both[self._stratum] & (count > 0)
        owner = self._owner[both]
        terms = _terms(sums[0], sums[1], kind)
        r, s = (_sums(owner, term[both], owners) for term in terms)
        # only the strata of a cluster change when it is left out
        without = [
            whole[at] - _by_arm(pair, arm, np.where(used, part, 0.0), len(at))
            for whole, part in zip(sums, (total, count), strict=True)
        ]
        is_used = np.bincount(pair, used) > 0
        clusters = len(self._holder)
        change = [
            _sums(self._cluster, np.where(is_used, new - term[at], 0.0), clusters)
            for new, term in zip(_terms(without[0], without[1], kind), terms, strict=True)
        ]
        seen = np.bincount(self._cluster, is_used) > 0
        holder = self._holder[seen]
        replicates = _combined(r[holder] + change[0][seen], s[holder] + change[1][seen], kind)
        number = np.bincount(holder, minlength=owners)
        estimate = _combined(r, s, kind)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = _sums(holder, replicates, owners) / number
            spread = _sums(holder, (replicates - mean[holder]) ** 2, owners)
            spread *= (number - 1) / number
            if kind == "odds":
                spread = np.where(
                    np.isfinite(spread),
                    np.maximum(spread, _independent_variance(sums[0][both], sums[1][both],
                                                             owner, owners)),
                    spread,
                )  # fmt: skip
            share = 0.5 + CONFIDENCE_LEVEL / 2.0
            half = stdtrit(np.maximum(number - 1, 1), share) * np.sqrt(spread)
            ends = estimate + np.array([np.zeros(owners), -half, half])
        ends = ends if kind == "difference" else np.exp(ends)
        ends[:, ~np.isfinite(estimate + spread) | (number < FEWEST_CLUSTERS)] = np.nan
        cell = self._owner[self._stratum[used]]
        return Contrasts(
            ends[0], ends[1], ends[2], _by_arm(cell, arm[used], count[used], owners),
            number, np.bincount(owner, minlength=owners),
        )  # fmt: skip


def _sums(group: Ints, values: Floats, size: int) -> Floats:
    """Sums of values by group, shape (size,)."""
    return np.asarray(np.bincount(group, values, size), dtype=np.float64)


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


def _independent_variance(total: Floats, count: Floats, owner: Ints, owners: int) -> Floats:
    """Variance of the log odds ratio for independent trials (Robins, Breslow and Greenland)."""
    (t1, t2), (n1, n2) = total.T, count.T
    n = n1 + n2
    p, q = (t2 + n1 - t1) / n, (t1 + n2 - t2) / n
    r, s = t2 * (n1 - t1) / n, t1 * (n2 - t2) / n
    pr, mixed, qs, of_r, of_s = (
        np.bincount(owner, values, owners) for values in (p * r, p * s + q * r, q * s, r, s)
    )
    return np.asarray(pr / (2 * of_r**2) + mixed / (2 * of_r * of_s) + qs / (2 * of_s**2))
