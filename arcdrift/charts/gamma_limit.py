"""An upper limit for single values that are small, skewed, rounded, and now and then far out.

The body of the values is a gamma; a small share lies apart, anywhere between two bounds on a log
scale. Both are fitted together, so that the far ones do not widen the limit that is to find
them, and to intervals, not to points: a recorded 0.02 in steps of 0.01 is any value from 0.015 to
0.025, and a recorded 0 is any value under 0.005. Many series are fitted at once.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit, gammainc, gammainccinv, gammaln, logit, xlogy

from arcdrift.arrays import Bools, Floats, Ints

TAIL = 1e-4
"""Share of the body above the limit. Of 1,000 good values about 0.1 to 0.25 lie above a limit
estimated from 100 to 300 values; 5e-4 finds more far ones (88 % for 80 %) at four times that."""
FEWEST = 100
FAR = (0.1, 1.0)
PRIOR = (1.5, 51.0)
"""Beta prior of the share that lies apart: most likely 1 %, worth some fifty values."""
MOST_APART = 0.2
"""Share apart from which there is no body to speak of."""
FLOOR_STEPS = 4.0
"""Rounding steps below which no limit lies: under that it would single out the rounding."""

_UNEXPLAINED = 1e-12  # probability of a value neither part can give; keeps logarithms finite
_SHAPES = (0.1, 60.0)
_ROUNDS = 60
_SETTLED = 1e-4  # of shape, mean and odds, relative: far below a rounding step of the limit
_FINE_TO = 3.0  # times the lower far bound; above it bins are merged,
_WIDER = 1.2  # each this many times as far up as the last: little is left to learn there
_STRIDE = 1.0  # most a logarithm may move in one round
_H = 1e-4


@dataclass(frozen=True)
class GammaLimits:
    """Fits and limits of many series; all arrays of shape (series,).

    Attributes
    ----------
    shape, scale : ndarray
        Of the gamma body; NaN where refused.
    share : ndarray
        Share of values that lie apart.
    limit : ndarray
        Value that the share `TAIL` of the body exceeds; NaN where refused.
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
    """How many bins `gamma_limits` wants: 0, one step, two ... up to the far bound."""
    return round(far[1] / step) + 1


def gamma_limits(
    counts: npt.ArrayLike,
    *,
    step: float = 0.01,
    tail: float = TAIL,
    fewest: int = FEWEST,
    far: tuple[float, float] = FAR,
    prior: tuple[float, float] = PRIOR,
) -> GammaLimits:
    """Fit (1 - p) gamma + p log-uniform(far) to rounded values, and set the upper limit.

    Parameters
    ----------
    counts : array_like of shape (series, bins)
        How many values were recorded as 0, ``step``, 2 ``step`` ...; the last bin also holds
        everything beyond ``far[1]``. `histogram_bins` says how many bins there are.
    step : float
        Rounding step, in the values' unit.
    tail : float
        Share of the body above the limit.
    fewest : int
        Values below which a series is refused.
    far : (float, float)
        Bounds between which a value that lies apart is log-uniform.
    prior : (float, float)
        Beta prior of p.

    Notes
    -----
    Maximizes sum_k n_k log(pi_k) + (a-1) log p + (b-1) log(1-p), with pi_k the probability of the
    interval that rounds to k steps (the likelihood of grouped data, e.g. Heitjan 1989,
    Statistical Science 4, 164-179, from memory), by Fisher scoring in log shape, log mean and
    logit p, halving a step that lowers it.
    """
    table = np.atleast_2d(np.asarray(counts, dtype=np.float64))
    model = _Model(table.shape[1], step, far, prior)
    n = table.sum(axis=1)
    shape, scale, share, limit = (np.full(len(n), np.nan) for _ in range(4))
    settled = np.zeros(len(n), dtype=bool)
    enough = n >= fewest
    if enough.any():
        at, settled[enough] = model.fit(table[enough])
        shape[enough] = np.exp(at[:, 0])
        scale[enough] = np.exp(at[:, 1] - at[:, 0])
        share[enough] = expit(at[:, 2])
    good = settled & (share <= MOST_APART)
    limit[good] = np.maximum(scale[good] * gammainccinv(shape[good], tail), FLOOR_STEPS * step)
    refusals = tuple(map(_refusal, n, enough, settled, share, np.full(len(n), fewest)))
    for values in (shape, scale, share):
        values[~good] = np.nan
    return GammaLimits(shape, scale, share, limit, n, refusals)


def _refusal(n: float, enough: bool, settled: bool, share: float, fewest: int) -> str:
    if not enough:
        return f"Only {n:,.0f} so far; a limit needs {fewest:,}."
    if not settled:
        return "Their spread follows no pattern that a limit could be taken from."
    if share > MOST_APART:
        return f"{share:.0%} lie far from the rest; with so many no limit tells good from bad."
    return ""


class _Model:
    """The likelihood of one set of bins; parameters are log shape, log mean and logit share."""

    def __init__(
        self, bins: int, step: float, far: tuple[float, float], prior: tuple[float, float]
    ) -> None:
        if bins != histogram_bins(step, far):
            raise ValueError(f"{histogram_bins(step, far)} bins are wanted, not {bins}")
        self.step, self.prior = step, prior
        self.starts = _merged(bins, far[0] / step)
        self.edges = (self.starts[1:] - 0.5) * step
        inside = np.clip(np.r_[far[0], self.edges, far[1]], *far)
        self.apart = np.diff(np.log(inside)) / np.log(far[1] / far[0])

    def fit(self, counts: Floats) -> tuple[Floats, Bools]:
        """Parameters (series, 3), and whether each series settled."""
        at = self._start(counts)
        counts = np.add.reduceat(counts, self.starts, axis=1)
        settled = np.zeros(len(at), dtype=bool)
        height = self._height(at, counts)
        for _ in range(_ROUNDS):
            open_ = np.flatnonzero(~settled)
            if not len(open_):
                break
            move = self._step(at[open_], counts[open_])
            at[open_], height[open_], moved = self._climb(
                at[open_], move, height[open_], counts[open_]
            )
            settled[open_] = moved < _SETTLED
        return at, settled

    def _start(self, counts: Floats) -> Floats:
        """Mean and squared variation of the values, those beyond four times the median capped."""
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

    def _height(self, at: Floats, counts: Floats) -> Floats:
        body = _between(self._cdf(at[:, 0], at[:, 1]), top=1.0)
        share = expit(at[:, 2])
        chance = _mixed(body, self.apart, share)
        a, b = self.prior
        whole = xlogy(counts, chance).sum(axis=1)
        return np.asarray(whole + (a - 1) * np.log(share) + (b - 1) * np.log1p(-share))

    def _step(self, at: Floats, counts: Floats) -> Floats:
        """Fisher's step: the slope over the expected curvature."""
        log_shape, log_mean, share = at[:, 0], at[:, 1], expit(at[:, 2])
        shape = np.exp(log_shape)[:, None]
        z = self.edges * shape * np.exp(-log_mean)[:, None]
        by_shape = self._cdf(log_shape + _H, log_mean) - self._cdf(log_shape - _H, log_mean)
        by_mean = -np.exp(xlogy(shape, z) - z - gammaln(shape))
        body = _between(np.asarray(gammainc(shape, z)), top=1.0)
        chance = _mixed(body, self.apart, share)
        rest = (1.0 - share)[:, None]
        slopes = np.stack(
            [
                rest * _between(by_shape / (2 * _H), top=0.0),
                rest * _between(by_mean, top=0.0),
                (share * (1.0 - share))[:, None] * (self.apart - body),
            ],
            axis=1,
        )
        relative = slopes / chance[:, None, :]
        slope = (relative * counts[:, None, :]).sum(axis=2)
        curve = np.einsum("sik,sjk->sij", relative, slopes) * counts.sum(axis=1)[:, None, None]
        a, b = self.prior
        slope[:, 2] += (a - 1) * (1 - share) - (b - 1) * share
        curve[:, 2, 2] += (a + b - 2) * share * (1 - share)
        curve += 1e-9 * np.trace(curve, axis1=1, axis2=2)[:, None, None] * np.eye(3)
        move = np.linalg.solve(curve, slope[:, :, None])[:, :, 0]
        return np.asarray(np.clip(move, -_STRIDE, _STRIDE))

    def _climb(
        self, at: Floats, move: Floats, height: Floats, counts: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Take each step, or the half, quarter ... of it that does not lead down."""
        at, height, moved = at.copy(), height.copy(), np.zeros(len(at))
        open_ = np.arange(len(at))
        for _ in range(12):
            tried = at[open_] + move[open_]
            tried[:, 0] = np.clip(tried[:, 0], *np.log(_SHAPES))
            tried[:, 1] = np.maximum(tried[:, 1], np.log(0.05 * self.step))
            tried[:, 2] = np.clip(tried[:, 2], -12.0, 6.0)
            reached = self._height(tried, counts[open_])
            better = reached >= height[open_] - 1e-9
            taken = open_[better]
            moved[taken] = np.abs(tried[better] - at[taken]).max(axis=1)
            at[taken], height[taken] = tried[better], reached[better]
            open_ = open_[~better]
            if not len(open_):
                break
            move[open_] /= 2.0
        return at, height, moved


def _merged(bins: int, far: float) -> Ints:
    """First of the bins that are taken together: each its own where the body lies."""
    fine = min(round(_FINE_TO * far), bins)
    above = fine * _WIDER ** np.arange(np.log(max(bins / fine, 1.0)) / np.log(_WIDER))
    return np.unique(np.r_[np.arange(fine), np.rint(above)]).astype(np.int64)


def _between(cumulative: Floats, *, top: float) -> Floats:
    """Differences over bins of what is known at their edges: 0 before, `top` after."""
    parts = np.empty((len(cumulative), cumulative.shape[1] + 1))
    parts[:, 0] = cumulative[:, 0]
    np.subtract(cumulative[:, 1:], cumulative[:, :-1], out=parts[:, 1:-1])
    parts[:, -1] = top - cumulative[:, -1]
    return parts


def _mixed(body: Floats, apart: Floats, share: Floats) -> Floats:
    part = share[:, None]
    return np.asarray((1.0 - part) * body + part * apart + _UNEXPLAINED)
