"""Variances between people, machines and stints by maximum likelihood.

Maximum likelihood rather than REML, so with few people the variances come out somewhat smaller.
One deviance costs one Cholesky factor of the size of the machines: people who share no row are
eliminated one by one (`arcdrift.charts.partly_diagonal`), as are stints, the grouping with many
levels, and the rows are summed up only once.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse import csr_array
from scipy.special import expit

from arcdrift.analysis.common.grouping import group_index
from arcdrift.analysis.common.mixed_columns import MixedColumns, indicators, members
from arcdrift.analysis.people.crossed_effects.level_pairs import LevelPairs
from arcdrift.analysis.people.crossed_effects.variance_search import Slope, lowest_deviance
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.partly_diagonal import PartlyDiagonal

STINT = "stint"
"""Column of the grouping that is integrated out: a week of one person on one splicer."""
MODE_STEPS = 100
"""Newton steps after which the search for a mode stops."""
LONGEST_STEP = 2.0
"""Longest Newton step, in log odds."""
NEGLIGIBLE_GAIN = 1e-7
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
        stints = members(group_index(groups[STINT])[0]) if STINT in groups else None
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
        self.moments = columns.dense_moments(weight)
        # keeps the residual above zero where the fixed effects explain the response exactly
        self.least_residual = (
            np.finfo(float).eps * self.moments[self.fixed, self.fixed] / self.rows + 1e-99
        )
        stints = csr_array((0, self.rows))
        if crossed.stints is not None:
            self.names.append(STINT)
            stints = crossed.stints
        self.total, self.sums = stints @ weight, columns.sums_by(stints, weight)
        self.pairs = LevelPairs(self.kind, columns, self.sums)
        self.pair_moments = self.pairs.spread(columns, columns.pairs @ weight)

    def __call__(self, ratio: Floats) -> Slope:
        """Return the deviance and its slope at the ratios of people, machines and stints."""
        z = slice(self.fixed + 1, None)
        shrinkage, moments, pair_moments, scale, factor = self._factored(ratio)
        solved, reduced = self._reduced(moments, scale, factor)
        weights = self._weights(reduced)
        residual = self._residual(weights, reduced)
        value = self.rows * np.log(residual) + factor.log_determinant
        modes = -scale * (solved @ weights)
        inverse = self.pairs.of_blocks(factor.inverse())
        pull = moments[z] @ weights + self.pairs.product(pair_moments, modes)
        diagonal = self.pairs.reduced_diagonal(pair_moments, scale, factor, inverse)
        levels, of_level = [diagonal], [self.kind]
        explained = np.bincount(self.kind, pull**2)
        if len(self.total):
            value -= np.log(shrinkage).sum()
            covariance = self.pairs.scaled(inverse, scale)
            known = shrinkage**2 * self.sums.sparse_variances(
                self.pairs.chosen(self.sums, covariance)
            )
            levels.append(self.total * shrinkage - known)
            of_level.append(np.full(len(self.total), len(ratio) - 1))
            own = shrinkage * self.sums.values(np.concatenate([weights, modes]))
            explained = np.append(explained, own @ own)
        trace, information = _traces(np.concatenate(of_level), np.concatenate(levels))
        # the residual variance is profiled out
        information -= np.outer(trace, trace) / self.rows
        return Slope(float(value), trace - explained / residual, information)

    def residual(self, ratio: Floats) -> float:
        """Return the residual variance that belongs to the ratios."""
        _, moments, _, scale, factor = self._factored(ratio)
        _, reduced = self._reduced(moments, scale, factor)
        return self._residual(self._weights(reduced), reduced)

    def _factored(self, ratio: Floats) -> tuple[Floats, Floats, Floats, Floats, PartlyDiagonal]:
        """Shrinkage of stints, moments without stints, roots of ratios, and the factor."""
        stint = ratio[-1] if len(self.total) else 0.0
        shrinkage = 1.0 / (1.0 + stint * self.total)
        moments, pair_moments = self.moments, self.pair_moments
        if stint > 0.0:
            of_stints = self.pairs.spread(self.sums, self.sums.pairs @ shrinkage)
            moments = moments - stint * self.sums.dense_moments(shrinkage)
            pair_moments = pair_moments - stint * of_stints
        scale = np.sqrt(ratio[self.kind])
        return shrinkage, moments, pair_moments, scale, self.pairs.factor(pair_moments, scale)

    def _reduced(
        self, moments: Floats, scale: Floats, factor: PartlyDiagonal
    ) -> tuple[Floats, Floats]:
        """Solution for the dense columns, and their moments, by the inverse covariance."""
        dense = self.fixed + 1
        scaled = scale[:, None] * moments[dense:]
        solved = factor.solve(scaled)
        return solved, moments[:dense] - scaled.T @ solved

    def _weights(self, reduced: Floats) -> Floats:
        """Weights of the dense columns in the residual: fixed effects, negative, and a one."""
        p = self.fixed
        return np.append(-np.linalg.solve(reduced[:p, :p], reduced[:p, p]), 1.0)

    def _residual(self, weights: Floats, reduced: Floats) -> float:
        return float(max(weights @ reduced @ weights / self.rows, self.least_residual))


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
    ratio = lowest_deviance(deviance, len(deviance.names))
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
        self.pairs = LevelPairs(self.kind, self.columns)
        # effects in units of their standard deviations; each search starts near the previous mode
        self.mode = np.zeros(self.fixed + len(self.kind))
        # information on each effect, and its pull at the mode were it zero, as for a single one
        self._known, self._pull = np.zeros((2, len(self.kind)))
        odds = np.log((share @ trials + 0.5) / ((1.0 - share) @ trials + 0.5))
        self.mode[: self.fixed] = np.linalg.lstsq(fixed, np.full(len(share), odds))[0]

    def __call__(self, variances: Floats) -> Slope:
        """Return the deviance and its slope at the variances."""
        p, z = slice(None, self.fixed), slice(self.fixed, None)
        own = np.sqrt(variances[self.kind])
        scale = np.append(np.ones(self.fixed), own)
        self.mode[z] = own * self._pull / (1.0 + own**2 * self._known)
        converged = False
        for _ in range(MODE_STEPS):
            linear = self.columns.values(scale * self.mode)
            probability = expit(linear)
            residual = self.trials * (self.share - probability)
            spread = self.trials * np.maximum(probability * (1.0 - probability), 1e-15)
            pair_moments, moments = self.columns.pairs @ spread, self.columns.dense_moments(spread)
            factor = self.pairs.factor(pair_moments, own)
            inverse = self.pairs.of_blocks(factor.inverse())
            # the determinant depends on the mode, and the mode on the fixed effects
            reach = self.columns.sparse_variances(self.pairs.scaled(inverse, own))
            score_change = self.columns.sums(spread * (1.0 - 2.0 * probability) * reach)
            pull = self.columns.sums(residual)
            score = scale * pull
            score[z] -= self.mode[z]
            border = own[:, None] * moments[z]
            solved = factor.solve(np.column_stack([border, own * score_change[z], score[z]]))
            moved = own * solved[:, -2]
            score[p] -= (score_change[p] - moments[z].T @ moved) / 2.0
            first = np.linalg.solve(
                moments[p] - border.T @ solved[:, : self.fixed],
                score[p] - border.T @ solved[:, -1],
            )
            step = np.concatenate([first, solved[:, -1] - solved[:, : self.fixed] @ first])
            if converged:
                break
            longest = float(np.abs(self.columns.values(scale * step)).max())
            # a full step from far away can overshoot again and again
            self.mode = self.mode + step * min(1.0, LONGEST_STEP / max(longest, 1e-12))
            # by the gain left, not the step: log odds of an event never seen grow forever
            converged = abs(float(score @ step)) < NEGLIGIBLE_GAIN
        fit = self.trials * (self.share * linear - np.logaddexp(0.0, linear))
        modes = self.mode[z]
        self._known = self.pairs.diagonal(pair_moments)
        self._pull = pull[z] + self._known * own * modes
        value = -2.0 * fit.sum() + modes @ modes + factor.log_determinant
        diagonal = self.pairs.reduced_diagonal(pair_moments, own, factor, inverse)
        mode_change = score_change[z] - self.pairs.product(pair_moments, moved)
        trace, information = _traces(self.kind, diagonal)
        indirect = np.bincount(self.kind, mode_change * pull[z] - pull[z] ** 2)
        return Slope(float(value), trace + indirect, information)


def logit_variances(
    share: Floats, trials: Floats, fixed: Floats, groups: Groups
) -> dict[str, float]:
    """Estimate the variance of each grouping by maximum likelihood (see `LogitDeviance`)."""
    groups = CrossedGroups.of(groups)
    deviance = LogitDeviance(share, trials, fixed, groups)
    result = lowest_deviance(deviance, len(groups.names))
    return dict(zip(groups.names, result.tolist(), strict=True))


def _traces(kind: Ints, diagonal: Floats) -> tuple[Floats, Floats]:
    """By grouping: sum of the levels' entries, and a diagonal matrix of that of their squares."""
    trace, squares = (np.bincount(kind, values) for values in (diagonal, diagonal**2))
    return np.asarray(trace, dtype=np.float64), np.diag(squares).astype(np.float64)
