"""Crossed random effects of people and machines on one measure, with what they are sure of.

The variances are those of maximum likelihood (`arcdrift.analysis.people.variance_components`); the
effects and their joint covariance then follow from the mixed-model equations (Henderson 1975,
Biometrics 31,
423-447), so that differences between two people have honest intervals too.
"""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.sparse import csr_array, diags_array, hstack

from arcdrift.analysis.people.variance_components import STINT, gaussian_variances, logit_variances
from arcdrift.arrays import Floats

Likelihood = Literal["gaussian", "binomial_logit"]

LEAST_VARIANCE = 1e-8
"""Stands for a variance that came out as zero."""
NEWTON_STEPS = 100
LONGEST_STEP = 2.0


@dataclass(frozen=True)
class Crossed:
    """Fitted crossed effects.

    Attributes
    ----------
    labels : tuple of (str, str)
        ``(who, name)`` of each effect, such as ``("technician", "Alder")``.
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
        """Estimate and standard deviation of a weighted sum of effects."""
        effect, sd = self.contrasts(weights[None, :])
        return float(effect[0]), float(sd[0])

    def contrasts(self, weights: Floats) -> tuple[Floats, Floats]:
        """Estimates and standard deviations of weighted sums, one a row of weights."""
        variance = ((weights @ self.covariance) * weights).sum(axis=1)
        return weights @ self.effect, np.sqrt(variance)

    def places(self, who: str) -> dict[str, int]:
        """Position of each name of one kind."""
        return {name: place for place, (kind, name) in enumerate(self.labels) if kind == who}


def fit_crossed(
    y: Floats,
    weight: Floats,
    fixed: Floats,
    groups: pd.DataFrame,
    *,
    likelihood: Likelihood = "gaussian",
    homes: dict[tuple[str, str], int] | None = None,
) -> Crossed:
    """Fit y = fixed b + effects + residual.

    Parameters
    ----------
    y : ndarray
        One value a row; for ``binomial_logit`` the share of bad ones.
    weight : ndarray
        Precision of each row up to a factor; for ``binomial_logit`` the number of trials.
    fixed : ndarray
        Columns of what is adjusted for, the intercept among them, of full rank.
    groups : DataFrame
        One column a grouping; a column ``stint`` is a grouping whose effects are not wanted.
    homes : dict, optional
        Number of the part of the crew each ``(column, name)`` belongs to. Effects are shrunken
        toward the mean of their own part, never toward that of another: whether parts differ is
        for the work they share to say.
    """
    if likelihood == "gaussian":
        weight = weight / weight.mean()
    fixed, owners = _with_homes(fixed, groups, homes or {})
    variances_of = gaussian_variances if likelihood == "gaussian" else logit_variances
    found = variances_of(y, weight, fixed, groups)
    variances = {name: max(value, LEAST_VARIANCE) for name, value in found.items()}
    design = _Design(fixed, groups, variances, owners, homes or {})
    if likelihood == "gaussian":
        effect, covariance = design.solve(y, weight / variances["residual"])
    else:
        effect, covariance = design.solve_logit(y, weight)
    return Crossed(design.labels, effect, covariance, variances)


def full_rank(columns: Floats) -> Floats:
    """Keep the columns that say something new; the first is kept always."""
    kept = [0]
    for place in range(1, columns.shape[1]):
        candidate = columns[:, [*kept, place]]
        scaled = candidate / np.maximum(np.abs(candidate).max(axis=0), 1e-12)
        if np.linalg.matrix_rank(scaled, tol=1e-6 * np.sqrt(len(columns))) == len(kept) + 1:
            kept.append(place)
    return columns[:, kept]


def _with_homes(
    fixed: Floats, groups: pd.DataFrame, homes: dict[tuple[str, str], int]
) -> tuple[Floats, list[tuple[int, str, int]]]:
    """Add a column for each part of the crew but the first; tell (column, who, part)."""
    owners: list[tuple[int, str, int]] = []
    for who in map(str, groups.columns):
        named = {name: part for (kind, name), part in homes.items() if kind == who}
        mine = groups[who].map(named)
        for part in sorted(set(named.values()))[1:]:
            column = (mine == part).to_numpy(dtype=np.float64)
            wider = full_rank(np.column_stack([fixed, column]))
            if wider.shape[1] > fixed.shape[1]:
                owners.append((fixed.shape[1], who, part))
                fixed = wider
    return fixed, owners


class _Design:
    """The mixed-model equations; stints are integrated out."""

    def __init__(
        self,
        fixed: Floats,
        groups: pd.DataFrame,
        variances: dict[str, float],
        owners: list[tuple[int, str, int]] | None = None,
        homes: dict[tuple[str, str], int] | None = None,
    ) -> None:
        rows = np.arange(len(groups))
        parts, labels, prior = [csr_array(fixed)], [], [np.zeros(fixed.shape[1])]
        self.stints: Any = None
        for who in map(str, groups.columns):
            code, names = pd.factorize(groups[who], sort=True)
            ones = csr_array((np.ones(len(rows)), (rows, code)), shape=(len(rows), len(names)))
            if who == STINT:
                self.stints, self.stint_precision = ones.T.tocsr(), 1.0 / variances[who]
                continue
            parts.append(ones)
            labels += [(who, str(name)) for name in names]
            prior.append(np.full(len(names), 1.0 / variances[who]))
        self.columns = hstack(parts).tocsr()
        self.prior = np.concatenate(prior)
        self.labels = tuple(labels)
        # an effect is its part's mean and what the person or machine adds to it
        size = len(labels)
        self.told = np.hstack([np.zeros((size, fixed.shape[1])), np.eye(size)])
        for column, who, part in owners or []:
            member = [kind == who and (homes or {}).get((kind, n)) == part for kind, n in labels]
            self.told[member, column] = 1.0

    def solve(self, y: Floats, precision: Floats) -> tuple[Floats, Floats]:
        """Effects and their covariance for rows of known precision."""
        weighted = diags_array(precision) @ self.columns
        left = (self.columns.T @ weighted).toarray() + np.diag(self.prior)
        right = weighted.T @ y
        if self.stints is not None:
            total = self.stints @ precision + self.stint_precision
            shared = (self.stints @ weighted).toarray()
            left -= shared.T @ (shared / total[:, None])
            right -= shared.T @ ((self.stints @ (precision * y)) / total)
        inverse = np.linalg.inv(left)
        solution = inverse @ right
        self.linear = self.columns @ solution
        return self.told @ solution, self.told @ inverse @ self.told.T

    def solve_logit(self, share: Floats, trials: Floats) -> tuple[Floats, Floats]:
        """Mode and curvature (Laplace) of binomial rows by Newton's method."""
        linear = np.full(len(share), np.log((share @ trials + 0.5) / ((1 - share) @ trials + 0.5)))
        effect, covariance = np.zeros(0), np.zeros((0, 0))
        for _ in range(NEWTON_STEPS):
            p = 1.0 / (1.0 + np.exp(-linear))
            spread = np.maximum(p * (1 - p), 1e-9)
            effect, covariance = self.solve(linear + (share - p) / spread, trials * spread)
            step = self.linear - linear
            longest = float(np.abs(step).max())
            # a full step from afar can overshoot without end
            linear = linear + step * min(1.0, LONGEST_STEP / max(longest, 1e-12))
            if longest < 1e-8:
                break
        return effect, covariance
