"""Time of a change of level: the onset behind an alarm, and the best single break of a series.

Both give a confidence set by inverting the likelihood ratio of the break's position. Its limit
distribution is that of the highest point of a two-sided random walk with drift,
``P(LR / 2 <= x) = (1 - exp(-x))^2`` (Hansen 2000, Econometrica 68, 575-603, from memory), so 7.35
for LR at 95 %. It does not depend on the size of the step and is on the wide side for large ones;
the tests check its coverage.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from arcdrift.arrays import Floats
from arcdrift.errors import BadInput


def _allowance(confidence: float) -> float:
    """Largest loss of log-likelihood of a position in the confidence set."""
    if not 0.0 < confidence < 1.0:
        raise BadInput(f"A confidence level lies between 0 and 1, not at {confidence:g}.")
    return -math.log(1.0 - math.sqrt(confidence))


@dataclass(frozen=True)
class StepOnset:
    """Estimated start of a step away from a known mean.

    Attributes
    ----------
    index, earliest, latest : int
        Position of the first value after the step: best estimate, and the range of the
        confidence set. Counted from 0, so also the count of values before the step.
    mean : float
        Mean from `index` on, in the values' unit.
    n : int
        Values behind that mean.
    """

    index: int
    earliest: int
    latest: int
    mean: float
    n: int


def step_onset(
    z: ArrayLike,
    *,
    mean0: float = 0.0,
    sigma: float = 1.0,
    direction: Literal["up", "down", "both"] = "both",
    confidence: float = 0.95,
) -> StepOnset:
    """Maximum-likelihood onset of a step that lasts to the end of the series.

    ``tau = argmax_t (T - t) (mean of z[t + 1..T] - mean0)^2`` (Samuel, Pignatiello and Calvin
    1998, Quality Engineering 10, 521-527). Pass the values up to the alarm, and only those since
    the chart was last reset.

    Parameters
    ----------
    z : array_like, shape (n,)
        Values in time order up to the alarm; missing values (NaN) carry no evidence.
    mean0, sigma : float
        Mean and standard deviation of a value before the step.
    direction : {"up", "down", "both"}
        Side of the chart that alarmed; steps to the other side are not considered.
    confidence : float
        Level of the set given as `earliest` and `latest`.

    Raises
    ------
    BadInput
        When there are no values, or none on the given side.
    """
    allowance = _allowance(confidence)
    if not sigma > 0.0:
        raise BadInput(f"The standard deviation of a value must be above 0, not {sigma:g}.")
    values: Floats = np.asarray(z, dtype=np.float64)
    where = np.flatnonzero(~np.isnan(values))
    ahead = np.cumsum((values[where] - mean0)[::-1])[::-1]
    count = np.arange(len(where), 0, -1)
    fits = {"up": ahead > 0.0, "down": ahead < 0.0, "both": np.isfinite(ahead)}[direction]
    if not fits.any():
        raise BadInput("The onset of a step cannot be found: no values lie on the alarm's side.")
    likelihood = np.where(fits, ahead**2 / count / (2.0 * sigma**2), -np.inf)
    best = int(np.argmax(likelihood))
    inside = np.flatnonzero(likelihood >= likelihood[best] - allowance)
    return StepOnset(
        index=int(where[best]),
        earliest=int(where[inside[0]]),
        latest=int(where[inside[-1]]),
        mean=mean0 + float(ahead[best] / count[best]),
        n=int(count[best]),
    )


@dataclass(frozen=True)
class Break:
    """The split of a series into two levels that fits best.

    Attributes
    ----------
    index, earliest, latest : int
        Position (from 0) of the first value of the second level: estimate and confidence set.
    mean_before, mean_after : float
        The two levels, in the values' unit.
    rss_none, rss : float
        Residual sum of squares of one level and of two.
    f : float
        Largest F statistic over all splits, ``(rss_none - rss) / (rss / (n - 2))``. It is a
        maximum, so ordinary F tables do not apply to it.
    bic_none, bic : float
        Bayesian information criterion of one level and of two (the break counts as a parameter).
    """

    index: int
    earliest: int
    latest: int
    mean_before: float
    mean_after: float
    rss_none: float
    rss: float
    f: float
    bic_none: float
    bic: float

    @property
    def supported(self) -> bool:
        """Whether two levels describe the series better than one (lower BIC)."""
        return self.bic < self.bic_none


def single_break(y: ArrayLike, *, smallest: int = 2, confidence: float = 0.95) -> Break:
    """Least-squares position of one shift in the mean.

    Parameters
    ----------
    y : array_like, shape (n,)
        Values in time order; missing values (NaN) are left out.
    smallest : int
        Fewest values on either side of the break.
    confidence : float
        Level of the set given as `earliest` and `latest`.

    Notes
    -----
    All splits are compared with one cumulative sum, so the cost is linear in `n`.

    Raises
    ------
    BadInput
        When there are too few values.
    """
    allowance = _allowance(confidence)
    values: Floats = np.asarray(y, dtype=np.float64)
    where = np.flatnonzero(~np.isnan(values))
    n, smallest = len(where), max(smallest, 1)
    if n < max(2 * smallest, 3):
        raise BadInput(
            f"A break needs at least {max(2 * smallest, 3)} values; this series has {n}."
        )
    seen = values[where]
    center = float(seen.mean())
    deviation = seen - center
    rss_none = float(deviation @ deviation)
    before = np.arange(smallest, n - smallest + 1)
    gain = np.cumsum(deviation)[before - 1] ** 2 * (n / (before * (n - before)))
    best = int(np.argmax(gain))
    split = int(before[best])
    first, second = seen[:split], seen[split:]
    rss = float(((first - first.mean()) ** 2).sum() + ((second - second.mean()) ** 2).sum())
    close = np.flatnonzero(gain[best] - gain <= rss * 2.0 * allowance / n)
    return Break(
        index=int(where[split]),
        earliest=int(where[before[close[0]]]),
        latest=int(where[before[close[-1]]]),
        mean_before=float(first.mean()),
        mean_after=float(second.mean()),
        rss_none=rss_none,
        rss=rss,
        f=(rss_none - rss) / (rss / (n - 2)) if rss > 0.0 else math.inf,
        bic_none=_bic(rss_none, n, 2),
        bic=_bic(rss, n, 4),
    )


def _bic(rss: float, n: int, parameters: int) -> float:
    """Gaussian BIC; the variance counts as a parameter."""
    if rss <= 0.0:
        return -math.inf
    return n * (math.log(2.0 * math.pi * rss / n) + 1.0) + parameters * math.log(n)
