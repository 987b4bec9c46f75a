"""CUSUM of counts that watches for a risen rate, and how long it runs before it alarms.

The log-likelihood ratio of a rate that became `ratio` times as high is, for a count x of rare
events where m were to be expected, ``x log(ratio) - m (ratio - 1)`` (exact for Poisson counts,
and for binomial ones in the limit of small shares). Its CUSUM alarms soonest among all charts
with the same run length (Moustakides 1986, Annals of Statistics 14, 1379-1387). Divided by
log(ratio) it is Lucas's counted-data CUSUM, ``S = max(0, S + x - k)`` with
``k = m (ratio - 1) / log(ratio)`` (Lucas 1985, Technometrics 27, 129-144), and that is the form
here: positions, reference and decision interval are in counts.

Positions are whole multiples of a small part of a count, so the run length is that of a finite
Markov chain (Brook and Evans 1972, Biometrika 59, 539-549): exact when reference and decision
interval are such multiples, as in published tables. Otherwise a step's remainder is divided
between the two nearest positions so that its mean is kept, and run lengths are interpolated
between neighboring limits.
"""

import math
from fractions import Fraction
from functools import lru_cache

import numpy as np
from scipy.linalg import toeplitz
from scipy.stats import binom, poisson

from arcdrift.charts.run_length import FloatArray, excursions
from arcdrift.errors import BadInput

_STATES = 400.0
"""Positions between 0 and the limit, about, when the reference is no simple fraction: run lengths
good to 1 %."""
_STATES_OF_LIMITS = 200.0
"""The same while a limit is looked for, which is then good to 1 % as well."""
_RAREST = 1e8


def reference_count(expected: float, ratio: float = 2.0) -> float:
    """Reference value k, in counts, for a rate `ratio` times the expected count of a sample.

    Raises
    ------
    BadInput
        When the ratio is not above 1.
    """
    if not ratio > 1.0:
        raise BadInput(f"A risen rate is more than 1 times the usual one, not {ratio:g} times.")
    return expected * (ratio - 1.0) / math.log(ratio)


def count_cusum_arl(
    k: float, h: float, rate: float, *, size: int | None = None, head_start: float = 0.0
) -> float:
    """Average run length of ``S = max(0, S + x - k)``, alarm at ``S > h``.

    Parameters
    ----------
    k, h : float
        Reference value and decision interval in counts. (Tables that alarm at ``S >= h`` are met
        with an `h` a little smaller.)
    rate : float
        Mean count of a sample; with `size`, the chance that one item counts.
    size : int, optional
        Items in a sample, for binomial counts; 1 is the Bernoulli CUSUM. None for Poisson counts.
    head_start : float
        Start of S in counts (fast initial response).

    Returns
    -------
    float
        Mean number of samples up to and including the alarm.

    Raises
    ------
    BadInput
        When a parameter is out of range.
    """
    _check(k, rate, size)
    if not (math.isfinite(h) and h >= 0.0):
        raise BadInput(f"The CUSUM decision interval must be a number of at least 0, not {h:g}.")
    if not 0.0 <= head_start <= h:
        raise BadInput(f"A head start lies between 0 and {h:g}, not at {head_start:g}.")
    cells, exact = _lattice(k, h, _STATES)
    # Without an exact lattice, an alarm beyond position `top` is one beyond `top + 1/2`.
    edge = h * cells + 1e-9 if exact else max(h * cells - 0.5, 0.0)
    top = math.floor(edge)
    run = _run_from(k, rate, size, cells, top, head_start * cells)
    if exact or edge == top or not math.isfinite(run):
        return run
    wider = _run_from(k, rate, size, cells, top + 1, head_start * cells)
    return run * math.exp((edge - top) * math.log(wider / run))


def _run_from(
    k: float, rate: float, size: int | None, cells: int, top: int, position: float
) -> float:
    length, alarm = _chain(_step(k, rate, size, cells, top), top)
    if not alarm[0] > 0.0:
        return math.inf
    run = length + (1.0 - alarm) * length[0] / alarm[0]
    return float(np.interp(position, np.arange(top + 1), run))


@lru_cache(maxsize=4096)
def count_cusum_limit(k: float, arl0: float, rate: float, *, size: int | None = None) -> float:
    """Smallest decision interval at which the chart runs at least `arl0` samples on average.

    A chart of counts whose positions lie on a lattice has only some run lengths to offer; the
    limit then errs on the quiet side.

    Parameters
    ----------
    k, rate, size
        As in `count_cusum_arl`.
    arl0 : float
        Wanted average count of samples between false alarms.

    Returns
    -------
    float
        h in counts.

    Raises
    ------
    BadInput
        When a parameter is out of range, or the wanted run length is out of the chart's reach.
    """
    _check(k, rate, size)
    if not arl0 <= _RAREST:
        raise BadInput(
            f"One false alarm in {arl0:g} samples is rarer than can be computed; "
            f"allow at least one in {_RAREST:.0e}."
        )
    mean = rate if size is None else rate * size
    if mean > k:
        raise BadInput(
            f"The reference value must not be below the usual count ({mean:.3g}), not {k:.3g}: "
            "the chart would alarm without a rise."
        )
    # The run length grows about e-fold with each 1 / theta of the limit.
    growth = max(_decay(k, rate, size), 0.2)
    cells, exact = _lattice(k, max(1.0, math.log(max(arl0, 3.0)) / growth), _STATES_OF_LIMITS)
    runs = {-1: 1.0}

    def reached(top: int) -> bool:
        runs[top] = _run_from(k, rate, size, cells, top, 0.0)
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


def _check(k: float, rate: float, size: int | None) -> None:
    if not (math.isfinite(k) and k > 0.0):
        raise BadInput(f"The CUSUM reference value must be a number above 0, not {k:g}.")
    if not (math.isfinite(rate) and rate > 0.0):
        raise BadInput(f"The rate must be a number above 0, not {rate:g}.")
    if size is not None and not (size >= 1 and rate < 1.0):
        raise BadInput(
            f"A sample has at least one item, and an item's chance is below 1; not {size} items "
            f"and {rate:g}."
        )


def _decay(k: float, rate: float, size: int | None) -> float:
    """Positive root theta of ``E exp(theta (x - k)) = 1``; log(ratio) for a matched reference."""

    def above(theta: float) -> bool:
        risen = rate * math.expm1(theta)
        return (risen if size is None else size * math.log1p(risen)) > theta * k

    low, high = 0.0, 1.0
    while not above(high) and high < 50.0:
        high *= 2.0
    for _ in range(30):
        middle = (low + high) / 2.0
        low, high = (low, middle) if above(middle) else (middle, high)
    return high


def _lattice(k: float, h: float, states: float) -> tuple[int, bool]:
    """Positions to a count, and whether the reference is a whole number of them."""
    part = Fraction(k).limit_denominator(1000)
    if abs(float(part) - k) < 1e-12 * k and part.denominator * h <= 400.0:
        return part.denominator, True
    return math.ceil(states / max(h, 0.2)), False


def _step(k: float, rate: float, size: int | None, cells: int, top: int) -> FloatArray:
    """Chance of each step from -top to top positions; what lies beyond is put at the ends."""
    most = math.ceil(2.0 * top / cells + k) + 2
    x = np.arange(most + 1)
    if size is None:
        chance = np.append(poisson.pmf(x[:-1], rate), poisson.sf(most - 1, rate))
    else:
        chance = np.append(binom.pmf(x[:-1], size, rate), binom.sf(most - 1, size, rate))
    target = x * cells - k * cells
    low = np.floor(target + 1e-9)
    part = np.maximum(target - low, 0.0)
    step = np.zeros(2 * top + 3)
    for to, weight in ((low, chance * (1.0 - part)), (low + 1.0, chance * part)):
        np.add.at(step, np.clip(to, -top - 1, top + 1).astype(np.int64) + top + 1, weight)
    return step


def _chain(step: FloatArray, top: int) -> tuple[FloatArray, FloatArray]:
    """Excursions from each position 0..top under one step's law, given from -top - 1 on."""
    down = np.cumsum(step)  # chance of a step of at most j - top - 1
    up = np.cumsum(step[::-1])[::-1]  # chance of a step of at least j - top - 1
    middle = top + 1
    chance = toeplitz(step[middle:0:-1][: top + 1], step[middle : middle + top + 1])
    chance[:, 0] = down[middle - np.arange(top + 1)]
    alarm = up[middle + top + 1 - np.arange(top + 1)]
    return excursions(chance, alarm)
