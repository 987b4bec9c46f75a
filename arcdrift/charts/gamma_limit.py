"""Upper limit of small, skewed, rounded values that contain outliers.

Model: a gamma distribution, mixed with a small share of outliers that are log-uniform between two
bounds. Both parts are fitted together, so that outliers do not raise the limit that is to find
them. The likelihood is that of intervals: a recorded 0.02 in steps of 0.01 is any value from 0.015
to 0.025, and a recorded 0 is any value under 0.005. A value recorded as below a limit is any value
under it. Many series are fitted at once.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit, gammainc, gammainccinv, gammaln, logit, xlogy

from arcdrift.arrays import Bools, Floats, Ints

TAIL = 1e-4
"""Share of the gamma distribution above the limit. Of 1,000 good values about 0.1 to 0.25 lie above
a limit estimated from 100 to 300 values; 5e-4 finds more outliers (88 % instead of 80 %) at four
times that."""
FEWEST = 100
"""Values a series needs for a limit."""
FAR = (0.1, 1.0)
"""Bounds of outliers, in the values' unit."""
PRIOR = (1.5, 51.0)
"""Beta prior of the share of outliers: mode 1 %, worth about fifty values."""
MAX_OUTLIER_SHARE = 0.2
"""With a larger share of outliers there is no limit: the two parts cannot be told apart."""
FLOOR_STEPS = 4.0
"""Lowest limit in rounding steps; a lower one would flag rounding."""

_FLOOR_PROBABILITY = 1e-12  # for a value that neither part can give; keeps logarithms finite
_SHAPES = (0.1, 60.0)  # range of the fitted gamma shape
_MAX_ITERATIONS = 60
_TOLERANCE = 1e-4  # of log shape, log mean and logit share: far below a rounding step of the limit
_FINE_TO = 3.0  # times the lower bound of outliers: above it bins are merged,
_WIDTH_RATIO = 1.2  # each starting this many times as far up as the one before
_MAX_STEP = 1.0  # largest change of a parameter in one iteration
_H = 1e-4  # step of the numerical derivative by log shape


@dataclass(frozen=True)
class GammaLimits:
    """Fits and limits of many series; all arrays of shape (series,).

    Attributes
    ----------
    shape, scale : ndarray
        Of the gamma distribution; NaN where refused.
    share : ndarray
        Share of outliers.
    limit : ndarray
        Value that the share `TAIL` of the gamma distribution exceeds; NaN where refused.
    n : ndarray
        Values in each series.
    refusals : tuple of str
        Why there is no limit, in a sentence; empty where there is one.
    """

    shape: Floats
    scale: Floats
    share: Floats
    limit: Floats
    n: Floats
    refusals: tuple[str, ...]


def histogram_bins(step: float = 0.01, far: tuple[float, float] = FAR) -> int:
    """Number of bins `gamma_limits` needs: 0, one step, two ... up to the upper outlier bound."""
    return round(far[1] / step) + 1


def gamma_limits(
    counts: npt.ArrayLike,
    *,
    step: float = 0.01,
    tail: float = TAIL,
    fewest: int = FEWEST,
    far: tuple[float, float] = FAR,
    prior: tuple[float, float] = PRIOR,
    below: npt.ArrayLike = (),
    below_counts: npt.ArrayLike | None = None,
) -> GammaLimits:
    """Fit (1 - p) gamma + p log-uniform(far) to rounded values, and set the upper limit.

    Parameters
    ----------
    counts : array_like of shape (series, bins)
        Number of values recorded as 0, ``step``, 2 ``step`` ...; the last bin also holds
        everything beyond ``far[1]``. `histogram_bins` gives the number of bins.
    step : float
        Rounding step, in the values' unit.
    tail : float
        Share of the gamma distribution above the limit.
    fewest : int
        A series of fewer values is refused.
    far : (float, float)
        Bounds between which an outlier is log-uniform.
    prior : (float, float)
        Beta prior of p.
    below : array_like of shape (limits,)
        Limits of values that are only known to be below one of them (censored values).
    below_counts : array_like of shape (series, limits), optional
        Number of values below each of them; these are not in `counts`.

    Notes
    -----
    Maximizes sum_k n_k log(pi_k) + (a-1) log p + (b-1) log(1-p), with pi_k the probability of the
    interval that rounds to k steps, or below a limit (the likelihood of grouped data, e.g. Heitjan
    1989, Statistical Science 4, 164-179, from memory), by Fisher scoring in log shape, log mean
    and logit p; a step that lowers it is halved.
    """
    table = np.atleast_2d(np.asarray(counts, dtype=np.float64))
    limits = np.asarray(below, dtype=np.float64)
    censored = np.zeros((len(table), len(limits)))
    if below_counts is not None:
        censored[:] = below_counts
    model = _Model(table.shape[1], step, far, prior, limits)
    n = table.sum(axis=1) + censored.sum(axis=1)
    shape, scale, share, limit = (np.full(len(n), np.nan) for _ in range(4))
    converged = np.zeros(len(n), dtype=bool)
    enough = n >= fewest
    if enough.any():
        estimate, converged[enough] = model.fit(table[enough], censored[enough])
        shape[enough] = np.exp(estimate[:, 0])
        scale[enough] = np.exp(estimate[:, 1] - estimate[:, 0])
        share[enough] = expit(estimate[:, 2])
    good = converged & (share <= MAX_OUTLIER_SHARE)
    limit[good] = np.maximum(scale[good] * gammainccinv(shape[good], tail), FLOOR_STEPS * step)
    refusals = tuple(map(_refusal, n, enough, converged, share, np.full(len(n), fewest)))
    for values in (shape, scale, share):
        values[~good] = np.nan
    return GammaLimits(shape, scale, share, limit, n, refusals)


def _refusal(n: float, enough: bool, converged: bool, share: float, fewest: int) -> str:
    """Reason for no limit as a sentence; empty when there is one."""
    if not enough:
        return f"Only {n:,.0f} so far; a limit needs {fewest:,}."
    if not converged:
        return "Their spread follows no pattern that a limit could be taken from."
    if share > MAX_OUTLIER_SHARE:
        return f"{share:.0%} lie far from the rest; with so many no limit tells good from bad."
    return ""


class _Model:
    """Penalized likelihood of binned values; parameters are log shape, log mean, logit share.

    Parameters of many series are arrays of shape (series, 3), counts of shape (series, bins plus
    limits): values in bins, then values below limits.
    """

    def __init__(
        self,
        bins: int,
        step: float,
        far: tuple[float, float],
        prior: tuple[float, float],
        below: Floats,
    ) -> None:
        if bins != histogram_bins(step, far):
            raise ValueError(f"{histogram_bins(step, far)} bins are wanted, not {bins}")
        self.step, self.prior = step, prior
        self.starts = _merged_starts(bins, far[0] / step)
        self.below = below
        self.edges = np.r_[(self.starts[1:] - 0.5) * step, below]
        """Edges between bins, then limits."""
        outlier_cdf = np.log(np.clip(self.edges, *far) / far[0]) / np.log(far[1] / far[0])
        self.outlier_probability = self._probabilities(outlier_cdf[None, :], top=1.0)[0]

    def fit(self, counts: Floats, censored: Floats) -> tuple[Floats, Bools]:
        """Estimated parameters, and for each series whether the iteration converged.

        Parameters
        ----------
        counts, censored : array of shape (series, bins), (series, limits)
            Values in each bin, and below each limit.
        """
        estimate = self._initial(self._at_half(counts, censored))
        counts = np.hstack([np.add.reduceat(counts, self.starts, axis=1), censored])
        converged = np.zeros(len(estimate), dtype=bool)
        objective = self._objective(estimate, counts)
        for _ in range(_MAX_ITERATIONS):
            rows = np.flatnonzero(~converged)
            if not len(rows):
                break
            step = self._scoring_step(estimate[rows], counts[rows])
            estimate[rows], objective[rows], change = self._halve_until_no_worse(
                estimate[rows], step, objective[rows], counts[rows]
            )
            converged[rows] = change < _TOLERANCE
        return estimate, converged

    def _at_half(self, counts: Floats, censored: Floats) -> Floats:
        """Counts with each censored value at half of its limit."""
        counts = counts.copy()
        for limit, values in zip(self.below, censored.T, strict=True):
            counts[:, min(round(limit / 2 / self.step), counts.shape[1] - 1)] += values
        return counts

    def _probabilities(self, cumulative: Floats, *, top: float) -> Floats:
        """Probabilities of bins and below limits from a cumulative function at `edges`."""
        inner = len(self.starts) - 1
        bins = _bin_differences(cumulative[:, :inner], top=top)
        return np.hstack([bins, cumulative[:, inner:]])

    def _initial(self, counts: Floats) -> Floats:
        """Moment estimates from the values, those beyond four times the median capped."""
        value = np.arange(counts.shape[1]) * self.step
        n = counts.sum(axis=1)
        median = (np.cumsum(counts, axis=1) < n[:, None] / 2.0).sum(axis=1) * self.step
        capped = np.minimum(value, 4.0 * np.maximum(median, self.step)[:, None])
        mean = np.maximum((counts * capped).sum(axis=1) / n, 0.2 * self.step)
        square = (counts * (capped - mean[:, None]) ** 2).sum(axis=1) / n
        shape = np.clip(mean**2 / np.maximum(square, self.step**2 / 12.0), 0.5, 20.0)
        return np.column_stack([np.log(shape), np.log(mean), np.full(len(n), logit(0.01))])

    def _cdf(self, log_shape: Floats, log_mean: Floats) -> Floats:
        shape = np.exp(log_shape)[:, None]
        return np.asarray(gammainc(shape, self.edges * shape * np.exp(-log_mean)[:, None]))

    def _objective(self, parameters: Floats, counts: Floats) -> Floats:
        """Log-likelihood plus log prior of each series, up to a constant."""
        cumulative = self._cdf(parameters[:, 0], parameters[:, 1])
        gamma_probability = self._probabilities(cumulative, top=1.0)
        share = expit(parameters[:, 2])
        probability = _mixture(gamma_probability, self.outlier_probability, share)
        a, b = self.prior
        likelihood = xlogy(counts, probability).sum(axis=1)
        return np.asarray(likelihood + (a - 1) * np.log(share) + (b - 1) * np.log1p(-share))

    def _scoring_step(self, parameters: Floats, counts: Floats) -> Floats:
        """Step of Fisher scoring: the gradient over the expected information."""
        log_shape, log_mean, share = parameters[:, 0], parameters[:, 1], expit(parameters[:, 2])
        shape = np.exp(log_shape)[:, None]
        z = self.edges * shape * np.exp(-log_mean)[:, None]
        by_shape = self._cdf(log_shape + _H, log_mean) - self._cdf(log_shape - _H, log_mean)
        by_mean = -np.exp(xlogy(shape, z) - z - gammaln(shape))
        gamma_probability = self._probabilities(np.asarray(gammainc(shape, z)), top=1.0)
        probability = _mixture(gamma_probability, self.outlier_probability, share)
        rest = (1.0 - share)[:, None]
        derivatives = np.stack(
            [
                rest * self._probabilities(by_shape / (2 * _H), top=0.0),
                rest * self._probabilities(by_mean, top=0.0),
                (share * (1.0 - share))[:, None] * (self.outlier_probability - gamma_probability),
            ],
            axis=1,
        )
        score = derivatives / probability[:, None, :]
        gradient = (score * counts[:, None, :]).sum(axis=2)
        n = counts.sum(axis=1)[:, None, None]
        # as if all values were in bins; with censored ones the steps are a little short
        bins = slice(len(self.starts))
        information = np.einsum("sik,sjk->sij", score[..., bins], derivatives[..., bins]) * n
        a, b = self.prior
        gradient[:, 2] += (a - 1) * (1 - share) - (b - 1) * share
        information[:, 2, 2] += (a + b - 2) * share * (1 - share)
        trace = np.trace(information, axis1=1, axis2=2)[:, None, None]
        information += 1e-9 * trace * np.eye(3)
        step = np.linalg.solve(information, gradient[:, :, None])[:, :, 0]
        return np.asarray(np.clip(step, -_MAX_STEP, _MAX_STEP))

    def _halve_until_no_worse(
        self, estimate: Floats, step: Floats, objective: Floats, counts: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Add each step, halved until it no longer lowers the objective.

        Returns the new estimates, their objectives, and the largest change of a parameter.
        """
        estimate, objective = estimate.copy(), objective.copy()
        change = np.zeros(len(estimate))
        rows = np.arange(len(estimate))
        for _ in range(12):
            candidate = estimate[rows] + step[rows]
            candidate[:, 0] = np.clip(candidate[:, 0], *np.log(_SHAPES))
            candidate[:, 1] = np.maximum(candidate[:, 1], np.log(0.05 * self.step))
            candidate[:, 2] = np.clip(candidate[:, 2], -12.0, 6.0)
            value = self._objective(candidate, counts[rows])
            accepted = value >= objective[rows] - 1e-9
            done = rows[accepted]
            change[done] = np.abs(candidate[accepted] - estimate[done]).max(axis=1)
            estimate[done], objective[done] = candidate[accepted], value[accepted]
            rows = rows[~accepted]
            if not len(rows):
                break
            step[rows] /= 2.0
        return estimate, objective, change


def _merged_starts(bins: int, far: float) -> Ints:
    """First bin of each merged group: single bins low down, ever wider groups far out."""
    fine = min(round(_FINE_TO * far), bins)
    widths = _WIDTH_RATIO ** np.arange(np.log(max(bins / fine, 1.0)) / np.log(_WIDTH_RATIO))
    return np.unique(np.r_[np.arange(fine), np.rint(fine * widths)]).astype(np.int64)


def _bin_differences(cumulative: Floats, *, top: float) -> Floats:
    """Differences over bins of a cumulative function: 0 below the first edge, `top` at the end."""
    parts = np.empty((len(cumulative), cumulative.shape[1] + 1))
    parts[:, 0] = cumulative[:, 0]
    np.subtract(cumulative[:, 1:], cumulative[:, :-1], out=parts[:, 1:-1])
    parts[:, -1] = top - cumulative[:, -1]
    return parts


def _mixture(gamma_probability: Floats, outlier_probability: Floats, share: Floats) -> Floats:
    """Probability of each bin of the mixture, shape (series, bins)."""
    part = share[:, None]
    return np.asarray(
        (1.0 - part) * gamma_probability + part * outlier_probability + _FLOOR_PROBABILITY
    )
