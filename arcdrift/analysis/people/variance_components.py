"""Variances between people, machines and stints by maximum likelihood.

Maximum likelihood rather than REML, so with few people the variances come out somewhat smaller.
One deviance costs one Cholesky factor of the size of the machines: people who share no row are
eliminated one by one (`arcdrift.charts.partly_diagonal`), as are stints, the grouping with many
levels, and the rows are summed up only once.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.sparse import csr_array
from scipy.special import expit

from arcdrift.analysis.common.mixed_columns import MixedColumns, indicators
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.partly_diagonal import PartlyDiagonal, largest_diagonal_group

Deviance = Callable[[Floats], tuple[float, Floats]]

STINT = "stint"
"""Column of the grouping that is integrated out: a week of one person on one splicer."""
START = 0.3
"""Start of the search: variance of each grouping over that of a row."""
MODE_STEPS = 100
"""Newton steps after which the search for a mode stops."""
LONGEST_STEP = 2.0
"""Longest Newton step, in log odds."""
NEGLIGIBLE_GAIN = 1e-10
"""When a step gains less deviance than this, one more step finds the mode."""


@dataclass(frozen=True)
class CrossedGroups:
    """People and machines of each row, numbered once for all that is fitted to the rows.

    Attributes
    ----------
    names : tuple of str
        Groupings, without stints.
    kind : ndarray of shape (levels,)
        Number of the grouping of each level.
    labels : tuple of (str, str)
        Grouping and name of each level.
    columns : MixedColumns
        Indicators of the levels, without dense columns.
    stints : csr_array of shape (stints, rows) or None
        Indicator of each stint's rows; None without a column of stints.
    """

    names: tuple[str, ...]
    kind: Ints
    labels: tuple[tuple[str, str], ...]
    columns: MixedColumns
    stints: csr_array | None

    @classmethod
    def of(cls, groups: "pd.DataFrame | CrossedGroups") -> "CrossedGroups":
        """Number the columns of a frame; a column ``stint`` may have many levels."""
        if isinstance(groups, CrossedGroups):
            return groups
        names = [str(name) for name in groups.columns if name != STINT]
        marks, kind, labels = indicators(groups[names])
        stints = indicators(groups[[STINT]])[0].T.tocsr() if STINT in groups else None
        columns = MixedColumns(np.empty((len(groups), 0)), marks)
        return cls(tuple(names), kind, tuple(labels), columns, stints)


Groups = pd.DataFrame | CrossedGroups


class GaussianDeviance:
    """Deviance of y = fixed b + effects + residual as a function of variances.

    Parameters
    ----------
    y, weight : ndarray of shape (n,)
        Response, and precision of each row up to a factor.
    fixed : ndarray of shape (n, p)
        Of full rank.
    groups : DataFrame or CrossedGroups
        One column a grouping; a column ``stint`` may have many levels.

    Notes
    -----
    Variances enter by their ratio to the residual one, which is profiled out together with the
    fixed effects (Bates, Maechler, Bolker and Walker 2015, Journal of Statistical Software 67(1),
    section 3.4); the gradient is that of Harville (1977), Journal of the American Statistical
    Association 72, 320-338, equation 5. Both from memory.
    """

    def __init__(self, y: Floats, weight: Floats, fixed: Floats, groups: Groups) -> None:
        crossed = CrossedGroups.of(groups)
        self.names, self.kind = list(crossed.names), crossed.kind
        self.rows, self.fixed = fixed.shape
        columns = crossed.columns.beside(np.column_stack([fixed, y]))
        self.moments = columns.moments(weight)
        # keeps the residual above zero where the fixed effects explain the response exactly
        self.least_residual = (
            np.finfo(float).eps * self.moments[self.fixed, self.fixed] / self.rows + 1e-99
        )
        members = csr_array((0, self.rows))
        if crossed.stints is not None:
            self.names.append(STINT)
            members = crossed.stints
        self.total, self.sums = members @ weight, columns.sums_by(members, weight)
        z = slice(self.fixed + 1, None)
        of_stints = self.sums.moments(np.ones(len(self.total)))
        self.alone = largest_diagonal_group(self.kind, self.moments[z, z], of_stints[z, z])

    def __call__(self, ratio: Floats) -> tuple[float, Floats]:
        """Return the deviance and its gradient at the ratios of people, machines and stints."""
        return self._evaluate(ratio)[:2]

    def residual(self, ratio: Floats) -> float:
        """Return the residual variance that belongs to the ratios."""
        return self._evaluate(ratio)[2]

    def _evaluate(self, ratio: Floats) -> tuple[float, Floats, float]:
        p, c, z = self.fixed, slice(self.fixed + 1), slice(self.fixed + 1, None)
        stint = ratio[-1] if len(self.total) else 0.0
        shrinkage = 1.0 / (1.0 + stint * self.total)
        moments = self.moments - stint * self.sums.moments(shrinkage)
        scale = np.sqrt(ratio[self.kind])
        scaled = scale[:, None] * moments[z]
        factor = PartlyDiagonal(np.eye(len(scale)) + scaled[:, z] * scale, self.alone)
        inverse, solved = factor.inverse(), factor.solve(scaled[:, c])
        reduced = moments[c, c] - scaled[:, c].T @ solved  # weighted by the inverse covariance
        weights = np.append(-np.linalg.solve(reduced[:p, :p], reduced[:p, p]), 1.0)
        residual = max(float(weights @ reduced @ weights) / self.rows, self.least_residual)
        value = self.rows * np.log(residual) + factor.log_determinant
        modes = -scale * (solved @ weights)
        whole = np.append(weights, modes)
        curvature = _reduced_diagonal(moments[z, z], scale, factor, inverse)
        slope = np.bincount(self.kind, curvature - (moments[z] @ whole) ** 2 / residual).astype(
            np.float64
        )
        if len(self.total):
            value -= np.log(shrinkage).sum()
            covariance = scale[:, None] * inverse * scale
            explained = shrinkage**2 @ self.sums.sparse_variances(covariance)
            pull = shrinkage * self.sums.values(whole)
            slope = np.append(slope, self.total @ shrinkage - explained - pull @ pull / residual)
        return float(value), slope, residual


def gaussian_variances(
    y: Floats, weight: Floats, fixed: Floats, groups: Groups
) -> dict[str, float]:
    """Estimate variances by maximum likelihood (parameters of `GaussianDeviance`).

    Returns
    -------
    dict of float
        ``residual`` (of a row of weight 1) and each column of ``groups``.
    """
    deviance = GaussianDeviance(y, weight, fixed, groups)
    ratio = _minimize_deviance(deviance, len(deviance.names))
    residual = deviance.residual(ratio)
    result = (ratio * residual).tolist()
    return {"residual": residual} | dict(zip(deviance.names, result, strict=True))


class LogitDeviance:
    """Deviance of binomial rows as a function of variances, by Laplace's approximation.

    Parameters
    ----------
    share, trials : ndarray of shape (n,)
        Share of bad splices in each row, and number of splices.
    fixed, groups
        As in `GaussianDeviance`, without stints.

    Notes
    -----
    The approximation is taken at the mode of the effects; its gradient as in Rasmussen and Williams
    (2006), Gaussian Processes for Machine Learning, section 5.5.1, from memory. Fixed effects are
    profiled out: at the mode the gradient with respect to them is zero.
    """

    def __init__(self, share: Floats, trials: Floats, fixed: Floats, groups: Groups) -> None:
        self.share, self.trials, self.fixed = share, trials, fixed.shape[1]
        crossed = CrossedGroups.of(groups)
        self.kind, self.columns = crossed.kind, crossed.columns.beside(fixed)
        z = slice(self.fixed, None)
        self.alone = largest_diagonal_group(self.kind, self.columns.moments(trials)[z, z])
        # effects in units of their standard deviations; each search starts at the previous mode
        self.mode = np.zeros(self.fixed + len(self.kind))
        odds = np.log((share @ trials + 0.5) / ((1.0 - share) @ trials + 0.5))
        self.mode[: self.fixed] = np.linalg.lstsq(fixed, np.full(len(share), odds))[0]

    def __call__(self, variances: Floats) -> tuple[float, Floats]:
        """Return the deviance and its gradient at the variances."""
        p, z = slice(None, self.fixed), slice(self.fixed, None)
        scale = np.append(np.ones(self.fixed), np.sqrt(variances[self.kind]))
        converged = False
        for _ in range(MODE_STEPS):
            linear = self.columns.values(scale * self.mode)
            probability = expit(linear)
            residual = self.trials * (self.share - probability)
            spread = self.trials * np.maximum(probability * (1.0 - probability), 1e-15)
            moments = self.columns.moments(spread)
            joint = scale[:, None] * moments * scale
            joint[z, z] += np.eye(len(self.kind))
            factor = PartlyDiagonal(joint[z, z], self.alone)
            inverse = factor.inverse()
            covariance = scale[z, None] * inverse * scale[z]
            # the determinant depends on the mode, and the mode on the fixed effects
            reach = self.columns.sparse_variances(covariance)
            score_change = self.columns.sums(spread * (1.0 - 2.0 * probability) * reach)
            pull = self.columns.sums(residual)
            score = scale * pull
            score[z] -= self.mode[z]
            moved = moments[:, z] @ (scale[z] * factor.solve(scale[z] * score_change[z]))
            score[p] -= (score_change - moved)[p] / 2.0
            step = _bordered_solution(joint, factor, self.fixed, score)
            longest = float(np.abs(self.columns.values(scale * step)).max())
            # a full step from far away can overshoot again and again
            self.mode = self.mode + step * min(1.0, LONGEST_STEP / max(longest, 1e-12))
            if converged:
                break
            # by the gain left, not the step: log odds of an event never seen grow forever
            converged = abs(float(score @ step)) < NEGLIGIBLE_GAIN
        fit = self.trials * (self.share * linear - np.logaddexp(0.0, linear))
        modes = self.mode[z]
        value = -2.0 * fit.sum() + modes @ modes + factor.log_determinant
        curvature = _reduced_diagonal(moments[z, z], scale[z], factor, inverse)
        mode_change = (score_change - moved)[z]
        slope = np.bincount(self.kind, curvature + mode_change * pull[z] - pull[z] ** 2).astype(
            np.float64
        )
        return float(value), slope


def logit_variances(
    share: Floats, trials: Floats, fixed: Floats, groups: Groups
) -> dict[str, float]:
    """Estimate the variance of each grouping by maximum likelihood (see `LogitDeviance`)."""
    groups = CrossedGroups.of(groups)
    deviance = LogitDeviance(share, trials, fixed, groups)
    result = _minimize_deviance(deviance, len(groups.names))
    return dict(zip(groups.names, result.tolist(), strict=True))


def _reduced_diagonal(
    moments: Floats, scale: Floats, factor: PartlyDiagonal, inverse: Floats
) -> Floats:
    """Diagonal of M - M D A^-1 D M for A = I + D M D.

    Parameters
    ----------
    moments : ndarray of shape (q, q)
        M.
    scale : ndarray of shape (q,)
        Diagonal of D; some may be zero.
    factor : PartlyDiagonal
        Factor of A.
    inverse : ndarray of shape (q, q)
        Inverse of A, where M is not zero.

    Notes
    -----
    The matrix is ``D^-1 A^-1 D M``, whose diagonal needs no product of whole matrices; where D is
    zero it is found from the columns of ``D M``.
    """
    zero = scale == 0.0
    diagonal = ((inverse * moments) @ scale) / np.where(zero, 1.0, scale)
    if zero.any():
        scaled = scale[:, None] * moments[:, zero]
        diagonal[zero] = np.diag(moments)[zero] - (scaled * factor.solve(scaled)).sum(axis=0)
    return np.asarray(diagonal)


def _bordered_solution(joint: Floats, factor: PartlyDiagonal, fixed: int, score: Floats) -> Floats:
    """Solve equations whose matrix is known by the factor of all but its first columns."""
    border = factor.solve(np.column_stack([joint[fixed:, :fixed], score[fixed:]]))
    corner = joint[:fixed, :fixed] - joint[:fixed, fixed:] @ border[:, :-1]
    first = np.linalg.solve(corner, score[:fixed] - joint[:fixed, fixed:] @ border[:, -1])
    return np.concatenate([first, border[:, -1] - border[:, :-1] @ first])


def _minimize_deviance(deviance: Deviance, count: int) -> Floats:
    """Return the variances, or variance ratios, of the lowest deviance; some may be zero."""
    result = minimize(
        deviance,
        np.full(count, START),
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.0, None)] * count,
        options={"ftol": 1e-11, "gtol": 1e-6},
    )
    return np.asarray(result.x)
