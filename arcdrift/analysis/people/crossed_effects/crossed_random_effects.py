"""Crossed random effects of people and machines on one measure, with their joint covariance.

The variances are those of maximum likelihood (`variance_components`); the effects and their joint
covariance then follow from the mixed-model equations (Henderson 1975, Biometrics 31, 423-447), so
that differences between two people have correct intervals too.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd

from arcdrift.analysis.people.crossed_effects.level_pairs import LevelPairs
from arcdrift.analysis.people.crossed_effects.variance_components import (
    STINT,
    CrossedGroups,
    Groups,
    gaussian_variances,
    logit_variances,
)
from arcdrift.arrays import Floats

Likelihood = Literal["gaussian", "binomial_logit"]

LEAST_VARIANCE = 1e-8
"""Replaces a variance estimated as zero, so that it can be inverted."""
NEWTON_STEPS = 100
"""Steps after which the search for the mode of a logit model stops."""
LONGEST_STEP = 2.0
"""Longest of these steps, in log odds."""


@dataclass(frozen=True)
class CrossedEffects:
    """Fitted crossed effects.

    Attributes
    ----------
    labels : tuple of (str, str)
        ``(grouping, name)`` of each effect, such as ``("technician", "Alder")``.
    effect : ndarray
        Shrunken effects on the scale of the response.
    covariance : ndarray
        Their joint covariance given the variances; square, in the order of `labels`.
    variances : dict of float
        Between people, machines, stints, and ``residual`` (of a row of weight 1).
    """

    labels: tuple[tuple[str, str], ...]
    effect: Floats
    covariance: Floats
    variances: dict[str, float]

    def contrast(self, weights: Floats) -> tuple[float, float]:
        """Return the estimate and standard deviation of a weighted sum of effects."""
        effect, sd = self.contrasts(weights[None, :])
        return float(effect[0]), float(sd[0])

    def contrasts(self, weights: Floats) -> tuple[Floats, Floats]:
        """Return estimates and standard deviations of weighted sums, one for each row."""
        variance = ((weights @ self.covariance) * weights).sum(axis=1)
        return weights @ self.effect, np.sqrt(variance)

    def of_rows(self, grouping: str, names: pd.Series) -> Floats:
        """Return the effect of the person or machine of each row, by their names."""
        position = self.positions(grouping)
        code, known = pd.factorize(names)
        return self.effect[[position[str(name)] for name in known]][code]

    def positions(self, grouping: str) -> dict[str, int]:
        """Return the position in `labels` of each name of one grouping."""
        return {name: place for place, (kind, name) in enumerate(self.labels) if kind == grouping}


def fit_crossed_effects(
    y: Floats,
    weight: Floats,
    fixed: Floats,
    groups: pd.DataFrame,
    *,
    likelihood: Likelihood = "gaussian",
    parts: dict[tuple[str, str], int] | None = None,
) -> CrossedEffects:
    """Fit y = fixed b + effects + residual.

    Parameters
    ----------
    y : ndarray
        One value a row; for ``binomial_logit`` the share of bad splices.
    weight : ndarray
        Precision of each row up to a factor; for ``binomial_logit`` the number of trials.
    fixed : ndarray
        Columns of covariates to adjust for, among them the intercept; of full rank.
    groups : DataFrame
        One column a grouping; effects of a column ``stint`` are not returned.
    parts : dict, optional
        Number of the part of the crew each ``(grouping, name)`` belongs to. Effects are shrunken
        toward the mean of their own part only, so that the difference between parts is estimated
        from the work they share alone.
    """
    if likelihood == "gaussian":
        weight = weight / weight.mean()
    fixed, part_columns = _with_part_columns(fixed, groups, parts or {})
    crossed = CrossedGroups.of(groups)
    variances_of = gaussian_variances if likelihood == "gaussian" else logit_variances
    estimated = variances_of(y, weight, fixed, crossed)
    variances = {name: max(value, LEAST_VARIANCE) for name, value in estimated.items()}
    design = MixedModelEquations(fixed, crossed, variances, part_columns, parts or {})
    if likelihood == "gaussian":
        found = design.solve(y, weight / variances["residual"])
    else:
        found = design.solve_logit(y, weight)
    return CrossedEffects(design.labels, found.effect, found.covariance(), variances)


def full_rank(columns: Floats) -> Floats:
    """Drop each column that is a linear combination of those before it; the first is kept."""
    # the triangle of a QR factorization has the singular values of the columns, any choice of them
    scaled = columns / np.maximum(np.abs(columns).max(axis=0), 1e-12)
    triangle: Floats = np.linalg.qr(scaled)[1]
    independent = [0]
    for place in range(1, columns.shape[1]):
        candidate = triangle[:, [*independent, place]]
        rank = np.linalg.matrix_rank(candidate, tol=1e-6 * np.sqrt(len(columns)))
        if rank == len(independent) + 1:
            independent.append(place)
    return columns[:, independent]


def _with_part_columns(
    fixed: Floats, groups: pd.DataFrame, parts: dict[tuple[str, str], int]
) -> tuple[Floats, list[tuple[int, str, int]]]:
    """Add a column for each part of the crew but the first.

    Returns
    -------
    fixed : ndarray
    part_columns : list of (int, str, int)
        Column, grouping and part of each column added.
    """
    part_columns: list[tuple[int, str, int]] = []
    for grouping in map(str, groups.columns):
        named = {name: part for (kind, name), part in parts.items() if kind == grouping}
        if len(set(named.values())) < 2:
            continue
        part_of_row = groups[grouping].map(named)
        for part in sorted(set(named.values()))[1:]:
            column = (part_of_row == part).to_numpy(dtype=np.float64)
            wider = full_rank(np.column_stack([fixed, column]))
            if wider.shape[1] > fixed.shape[1]:
                part_columns.append((fixed.shape[1], grouping, part))
                fixed = wider
    return fixed, part_columns


class Solved(NamedTuple):
    """Solution of the mixed-model equations.

    Attributes
    ----------
    effect : array, shape (effects,)
    covariance : callable
        Returns their joint covariance.
    """

    effect: Floats
    covariance: Callable[[], Floats]


class MixedModelEquations:
    """Henderson's mixed-model equations; stints are integrated out.

    Parameters
    ----------
    fixed, groups, parts
        As in `fit_crossed_effects`.
    variances : dict of float
        Of each grouping.
    part_columns : list of (int, str, int), optional
        Column of `fixed`, grouping and part where a column marks one part of the crew.
    """

    def __init__(
        self,
        fixed: Floats,
        groups: Groups,
        variances: dict[str, float],
        part_columns: list[tuple[int, str, int]] | None = None,
        parts: dict[tuple[str, str], int] | None = None,
    ) -> None:
        crossed = CrossedGroups.of(groups)
        self.columns, self.labels = crossed.columns.beside(fixed), crossed.labels
        self.scale = np.sqrt([variances[name] for name in crossed.names])[crossed.kind]
        self.stints = crossed.stints
        self.stint_precision = 0.0 if crossed.stints is None else 1.0 / variances[STINT]
        self.kind = crossed.kind
        # each effect is the mean of its part plus the deviation of the person or machine
        self.fixed = fixed.shape[1]
        self.effects_of_parts = np.zeros((len(self.labels), self.fixed))
        for column, grouping, part in part_columns or []:
            member = [
                kind == grouping and (parts or {}).get((kind, n)) == part for kind, n in self.labels
            ]
            self.effects_of_parts[member, column] = 1.0

    def solve(self, y: Floats, precision: Floats) -> Solved:
        """Return the effects for rows of known precision."""
        columns, p = self.columns, self.fixed
        moments, sums = columns.dense_moments(precision), columns.sums(precision * y)
        if self.stints is None:
            pairs = self.pairs
            of_pairs = columns.pairs @ precision
        else:
            total = self.stints @ precision + self.stint_precision
            shared = columns.sums_by(self.stints, precision)
            pairs = LevelPairs(self.kind, columns, shared)
            moments -= shared.dense_moments(1.0 / total)
            sums -= shared.sums((self.stints @ (precision * y)) / total)
            of_pairs = pairs.spread(columns, columns.pairs @ precision)
            of_pairs -= pairs.spread(shared, shared.pairs @ (1.0 / total))
        # effects in units of their standard deviations
        scale = self.scale
        factor, border = pairs.factor(of_pairs, scale), scale[:, None] * moments[p:]
        solved = factor.solve(np.column_stack([border, scale * sums[p:]]))
        corner = moments[:p] - border.T @ solved[:, :p]
        first = np.linalg.solve(corner, sums[:p] - border.T @ solved[:, p])
        own = scale * (solved[:, p] - solved[:, :p] @ first)
        self.linear = columns.values(np.append(first, own))
        with_fixed = self.effects_of_parts - scale[:, None] * solved[:, :p]

        def covariance() -> Floats:
            deviations = scale[:, None] * factor.whole_inverse() * scale
            return np.asarray(deviations + with_fixed @ np.linalg.solve(corner, with_fixed.T))

        return Solved(self.effects_of_parts @ first + own, covariance)

    @cached_property
    def pairs(self) -> LevelPairs:
        """Pairs of levels in one row."""
        return LevelPairs(self.kind, self.columns)

    def solve_logit(self, share: Floats, trials: Floats) -> Solved:
        """Return the mode for binomial rows, by Newton's method."""
        linear = np.full(len(share), np.log((share @ trials + 0.5) / ((1 - share) @ trials + 0.5)))
        for _ in range(NEWTON_STEPS):
            probability = 1.0 / (1.0 + np.exp(-linear))
            weights = np.maximum(probability * (1 - probability), 1e-9)
            found = self.solve(linear + (share - probability) / weights, trials * weights)
            step = self.linear - linear
            longest = float(np.abs(step).max())
            # a full step from far away can overshoot again and again
            linear = linear + step * min(1.0, LONGEST_STEP / max(longest, 1e-12))
            if longest < 1e-8:
                break
        return found
