"""Run lengths and limits of a CUSUM of Poisson counts, from a Markov chain.

The limits in `arcdrift.charts.binomial_cusum_limits` were computed with this module;
`tests/golden/test_charts_poisson_cusum.py` compares it with published tables.

The log-likelihood ratio of a rate that became `ratio` times as high is, for a count x of rare
events with expected count m, ``x log(ratio) - m (ratio - 1)``. Divided by log(ratio) its CUSUM is
Lucas's counted-data CUSUM, ``S = max(0, S + x - k)`` with ``k = m (ratio - 1) / log(ratio)``
(Lucas 1985, Technometrics 27, 129-144), and that is the form here: positions, reference value and
decision interval are in counts.

Positions are whole multiples of a small part of a count, so the run length is that of a finite
Markov chain (Brook and Evans 1972, Biometrika 59, 539-549): exact when reference value and
decision interval are such multiples, as in published tables. Otherwise a step's remainder is
divided between the two nearest positions so that its mean stays the same, and run lengths are
interpolated between neighboring limits.
"""

import math
from fractions import Fraction

import numpy as np
from scipy.linalg import toeplitz
from scipy.stats import poisson

from arcdrift.arrays import Floats
from arcdrift.charts.binomial_cusum import RATIO
from arcdrift.charts.run_length import excursions

STATES = 400.0
"""About how many positions lie between 0 and the limit when the reference value is no simple
fraction; run lengths are then accurate to 1 %."""
STATES_OF_LIMITS = 200.0
"""The same while a limit is searched for, which is then accurate to 1 % as well."""


def reference_count(expected: float, ratio: float = RATIO) -> float:
    """Reference value k, in counts, for a rate `ratio` times the expected count of a sample."""
    return expected * (ratio - 1.0) / math.log(ratio)


def poisson_cusum_arl(k: float, h: float, mean: float) -> float:
    """Average run length of ``S = max(0, S + x - k)``, alarm at ``S > h``.

    Parameters
    ----------
    k, h : float
        Reference value and decision interval in counts. (For tables that alarm at ``S >= h`` pass
        an `h` a little smaller.)
    mean : float
        Mean count of a sample.
    """
    cells, exact = _lattice(k, h, STATES)
    # Without an exact lattice, an alarm beyond position `top` is one beyond `top + 1/2`.
    edge = h * cells + 1e-9 if exact else max(h * cells - 0.5, 0.0)
    top = math.floor(edge)
    run = _run_length(k, mean, cells, top)
    if exact or edge == top or not math.isfinite(run):
        return run
    wider = _run_length(k, mean, cells, top + 1)
    return run * math.exp((edge - top) * math.log(wider / run))


def poisson_cusum_limit(k: float, arl0: float, mean: float) -> float:
    """Smallest decision interval, in counts, with an average run length of at least `arl0`.

    A chart of counts has only the run lengths of its lattice; the limit is rounded up.
    """
    # The run length grows about e-fold with each 1 / theta of the limit.
    growth = max(_decay(k, mean), 0.2)
    cells, exact = _lattice(k, max(1.0, math.log(max(arl0, 3.0)) / growth), STATES_OF_LIMITS)
    runs = {-1: 1.0}

    def reached(top: int) -> bool:
        runs[top] = _run_length(k, mean, cells, top)
        return runs[top] >= arl0

    below, above = -1, math.ceil(cells)
    while not reached(above):
        below, above = above, 2 * above
    while above - below > 1:
        # The logarithm of the run length is nearly straight in the limit.
        middle = (below + above) // 2
        if below >= 0 and math.isfinite(runs[above]):
            part = math.log(arl0 / runs[below]) / math.log(runs[above] / runs[below])
            guess = below + round(part * (above - below))
            middle = min(max(guess, below + 1), above - 1)
        below, above = (below, middle) if reached(middle) else (middle, above)
    if exact or below < 0 or not math.isfinite(runs[above]):
        return above / cells
    part = math.log(arl0 / runs[below]) / math.log(runs[above] / runs[below])
    return (below + part + 0.5) / cells


def log_likelihood_limits(arl0: float, counts: list[float]) -> Floats:
    """Limits of the log-likelihood ratio of a `RATIO`-fold rate, by usual count of a sample."""
    return np.array(
        [
            math.log(RATIO) * poisson_cusum_limit(reference_count(count), arl0, count)
            for count in counts
        ]
    )


def _run_length(k: float, mean: float, cells: int, top: int) -> float:
    """Average run length from position 0 of a chart that alarms beyond position `top`."""
    length, alarm = _excursions(_step(k, mean, cells, top), top)
    return float(length[0] / alarm[0]) if alarm[0] > 0.0 else math.inf


def _decay(k: float, mean: float) -> float:
    """Positive root theta of ``E exp(theta (x - k)) = 1``; log(ratio) for a matched reference."""

    def above(theta: float) -> bool:
        return mean * math.expm1(theta) > theta * k

    low, high = 0.0, 1.0
    while not above(high) and high < 50.0:
        high *= 2.0
    for _ in range(30):
        middle = (low + high) / 2.0
        low, high = (low, middle) if above(middle) else (middle, high)
    return high


def _lattice(k: float, h: float, states: float) -> tuple[int, bool]:
    """Positions per count, and whether the reference value is a whole number of them."""
    part = Fraction(k).limit_denominator(1000)
    if abs(float(part) - k) < 1e-12 * k and part.denominator * h <= 400.0:
        return part.denominator, True
    return math.ceil(states / max(h, 0.2)), False


def _step(k: float, mean: float, cells: int, top: int) -> Floats:
    """Chance of each step from -top - 1 to top + 1 positions; larger steps count at the ends."""
    most = math.ceil(2.0 * top / cells + k) + 2
    x = np.arange(most + 1)
    chance = np.append(poisson.pmf(x[:-1], mean), poisson.sf(most - 1, mean))
    target = x * cells - k * cells
    low = np.floor(target + 1e-9)
    part = np.maximum(target - low, 0.0)
    step = np.zeros(2 * top + 3)
    for to, weight in ((low, chance * (1.0 - part)), (low + 1.0, chance * part)):
        np.add.at(step, np.clip(to, -top - 1, top + 1).astype(np.int64) + top + 1, weight)
    return step


def _excursions(step: Floats, top: int) -> tuple[Floats, Floats]:
    """Excursions from each position 0..top, from the chances of one step."""
    down = np.cumsum(step)  # chance of a step of at most j - top - 1
    up = np.cumsum(step[::-1])[::-1]  # chance of a step of at least j - top - 1
    middle = top + 1
    chance = toeplitz(step[middle:0:-1][: top + 1], step[middle : middle + top + 1])
    chance[:, 0] = down[middle - np.arange(top + 1)]
    alarm = up[middle + top + 1 - np.arange(top + 1)]
    return excursions(chance, alarm)
