"""Variances between people, machines and stints by maximum likelihood.

Not by REML: with few people the variances come out somewhat smaller. One deviance costs one
Cholesky factor of the size of people and machines together: stints, the one grouping with many
levels, are integrated out one by one, and no row of the data is looked at twice.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import minimize
from scipy.sparse import csr_array, diags_array, hstack
from scipy.special import expit

from arcdrift.arrays import Floats, Ints

Deviance = Callable[[Floats], tuple[float, Floats]]

STINT = "stint"
START = 0.3
"""Variance of a grouping, over that of a row, that the search begins with."""
MODE_STEPS = 100
LONGEST_STEP = 2.0
GAIN = 1e-10
"""Gain in deviance after which one step more finds the mode."""


class Gaussian:
    """Deviance of y = fixed b + effects + residual as a function of variances.

    Parameters
    ----------
    y, weight : ndarray of shape (n,)
        Response, and precision of each row up to a factor.
    fixed : ndarray of shape (n, p)
        Of full rank.
    groups : DataFrame
        One column a grouping; a column ``stint`` may have many levels.

    Notes
    -----
    Variances enter by their ratio to the residual one, which is profiled out together with the
    fixed effects (Bates, Maechler, Bolker and Walker 2015, Journal of Statistical Software 67(1),
    section 3.4); the gradient is that of Harville (1977), Journal of the American Statistical
    Association 72, 320-338, equation 5. Both from memory.
    """

    def __init__(self, y: Floats, weight: Floats, fixed: Floats, groups: pd.DataFrame) -> None:
        self.names = [str(name) for name in groups.columns if name != STINT]
        indicators, self.kind = _indicators(groups[self.names])
        self.rows, self.fixed = fixed.shape
        columns = hstack([csr_array(np.column_stack([fixed, y])), indicators]).tocsr()
        weighted = diags_array(weight) @ columns
        self.moments = (columns.T @ weighted).toarray()
        # a response that the fixed effects explain to the last digit leaves a residual above zero
        self.least = np.finfo(float).eps * self.moments[self.fixed, self.fixed] / self.rows + 1e-99
        members = csr_array((0, self.rows))
        if STINT in groups:
            self.names.append(STINT)
            members = _indicators(groups[[STINT]])[0].T.tocsr()
        self.total, self.sums = members @ weight, (members @ weighted).tocsr()
        self.dense, self.turned = self.sums.toarray(), self.sums.T.tocsr()

    def __call__(self, ratio: Floats) -> tuple[float, Floats]:
        """Deviance and its gradient at the ratios of people, machines and, last, stints."""
        return self._told(ratio)[:2]

    def residual(self, ratio: Floats) -> float:
        """Residual variance that goes with the ratios."""
        return self._told(ratio)[2]

    def _told(self, ratio: Floats) -> tuple[float, Floats, float]:
        p, z = self.fixed, slice(self.fixed + 1, None)
        stint = ratio[-1] if len(self.total) else 0.0
        keep = 1.0 / (1.0 + stint * self.total)
        shared = self.turned @ (keep[:, None] * self.dense)
        moments = self.moments - stint * shared
        scale = np.sqrt(ratio[self.kind])
        root = cholesky(np.eye(len(scale)) + scale[:, None] * moments[z, z] * scale, lower=True)
        half = solve_triangular(root, scale[:, None] * moments[z], lower=True)
        told = moments - half.T @ half  # in the metric of the inverse covariance
        along = np.append(-np.linalg.solve(told[:p, :p], told[:p, p]), 1.0)
        residual = max(float(along @ told[: p + 1, : p + 1] @ along) / self.rows, self.least)
        value = self.rows * np.log(residual) + 2.0 * np.log(np.diag(root)).sum()
        pull = told[z, : p + 1] @ along
        slope = np.bincount(self.kind, np.diag(told)[z] - pull**2 / residual).astype(np.float64)
        if len(self.total):
            value -= np.log(keep).sum()
            inner = solve_triangular(root, np.diag(scale), lower=True)
            squares = self.turned[z] @ (keep[:, None] ** 2 * self.dense[:, z])
            taken = np.vdot(inner.T @ inner, squares)
            whole = np.append(along, -inner.T @ (half[:, : p + 1] @ along))
            pull = keep * (self.sums @ whole)
            slope = np.append(slope, self.total @ keep - taken - pull @ pull / residual)
        return float(value), slope, residual


def gaussian_variances(
    y: Floats, weight: Floats, fixed: Floats, groups: pd.DataFrame
) -> dict[str, float]:
    """Variances of maximum likelihood (parameters of `Gaussian`).

    Returns
    -------
    dict of float
        ``residual`` (of a row of weight 1) and each column of ``groups``.
    """
    deviance = Gaussian(y, weight, fixed, groups)
    ratio = _lowest(deviance, len(deviance.names))
    residual = deviance.residual(ratio)
    found = (ratio * residual).tolist()
    return {"residual": residual} | dict(zip(deviance.names, found, strict=True))


class Logit:
    """Deviance of binomial rows as a function of variances, by Laplace's approximation.

    Parameters
    ----------
    share, trials : ndarray of shape (n,)
        Share of bad ones, and of how many.
    fixed, groups
        As in `Gaussian`, without stints.

    Notes
    -----
    The approximation is about the mode of the effects; its gradient as in Rasmussen and Williams
    (2006), Gaussian Processes for Machine Learning, section 5.5.1, from memory. Fixed effects are
    profiled out: the mode is sought where the gradient on them is zero.
    """

    def __init__(self, share: Floats, trials: Floats, fixed: Floats, groups: pd.DataFrame) -> None:
        self.share, self.trials, self.fixed = share, trials, fixed.shape[1]
        self.effects, self.kind = _indicators(groups)
        self.columns = hstack([csr_array(fixed), self.effects]).tocsr()
        self.dense, self.turned = self.columns.toarray(), self.columns.T.tocsr()
        # effects in their standard deviations; the next search starts at the last mode
        self.mode = np.zeros(self.columns.shape[1])
        odds = np.log((share @ trials + 0.5) / ((1.0 - share) @ trials + 0.5))
        self.mode[: self.fixed] = np.linalg.lstsq(fixed, np.full(len(share), odds))[0]

    def __call__(self, variances: Floats) -> tuple[float, Floats]:
        """Deviance and its gradient at the variances."""
        p, z = slice(None, self.fixed), slice(self.fixed, None)
        scale = np.append(np.ones(self.fixed), np.sqrt(variances[self.kind]))
        settled = False
        for _ in range(MODE_STEPS):
            linear = self.columns @ (scale * self.mode)
            chance = expit(linear)
            left = self.trials * (self.share - chance)
            spread = self.trials * np.maximum(chance * (1.0 - chance), 1e-15)
            moments = self.turned @ (spread[:, None] * self.dense)
            joint = scale[:, None] * moments * scale
            joint[z, z] += np.eye(len(self.kind))
            root = cholesky(joint[z, z], lower=True)
            inner = solve_triangular(root, np.diag(scale[z]), lower=True)
            covariance = inner.T @ inner
            # the determinant moves with the mode, and the mode with the fixed effects
            reach = self.effects @ covariance
            bent = spread * (1.0 - 2.0 * chance) * (self.dense[:, z] * reach).sum(axis=1)
            moved = self.turned @ bent
            pull = self.turned @ left
            score = scale * pull
            score[z] -= self.mode[z]
            score[p] -= (moved - moments[:, z] @ (covariance @ moved[z]))[p] / 2.0
            step = np.linalg.solve(joint, score)
            longest = float(np.abs(self.columns @ (scale * step)).max())
            # a full step from afar can overshoot without end
            self.mode = self.mode + step * min(1.0, LONGEST_STEP / max(longest, 1e-12))
            if settled:
                break
            # by what is left to gain: the odds of what never happened have no end
            settled = abs(float(score @ step)) < GAIN
        fit = self.trials * (self.share * linear - np.logaddexp(0.0, linear))
        modes = self.mode[z]
        value = -2.0 * fit.sum() + modes @ modes + 2.0 * np.log(np.diag(root)).sum()
        own = np.diag(moments)[z] - ((moments[z, z] @ covariance) * moments[z, z]).sum(axis=1)
        bend = moved[z] - moments[z, z] @ (covariance @ moved[z])
        slope = np.bincount(self.kind, own + bend * pull[z] - pull[z] ** 2).astype(np.float64)
        return float(value), slope


def logit_variances(
    share: Floats, trials: Floats, fixed: Floats, groups: pd.DataFrame
) -> dict[str, float]:
    """Variances of maximum likelihood (parameters of `Logit`), one for each grouping."""
    found = _lowest(Logit(share, trials, fixed, groups), len(groups.columns))
    return dict(zip(map(str, groups.columns), found.tolist(), strict=True))


def _lowest(deviance: Deviance, count: int) -> Floats:
    """Variances, or ratios of them, of the lowest deviance; some may be zero."""
    found = minimize(
        deviance,
        np.full(count, START),
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.0, None)] * count,
        options={"ftol": 1e-11, "gtol": 1e-6},
    )
    return np.asarray(found.x)


def _indicators(groups: pd.DataFrame) -> tuple[csr_array, Ints]:
    """One column a level, of every grouping in turn, and which grouping it is of."""
    rows = np.arange(len(groups))
    parts, kinds = [], []
    for number, name in enumerate(groups.columns):
        code, levels = pd.factorize(groups[name], sort=True)
        parts.append(csr_array((np.ones(len(rows)), (rows, code)), shape=(len(rows), len(levels))))
        kinds.append(np.full(len(levels), number))
    return hstack(parts).tocsr(), np.concatenate(kinds)
