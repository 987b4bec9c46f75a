"""The variances at which a deviance is lowest, by Fisher's scoring that learns from its steps."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from arcdrift.arrays import Floats

START = 0.3
"""Start of the search: variance of each grouping over that of a row."""
MOST_STEPS = 100
"""Steps after which the search stops."""
NEGLIGIBLE_GAIN = 1e-9
"""The last step gains less deviance than this: the variances are then found to a millionth of
their standard errors."""
NOISE = 1e-12
"""Rounding of a deviance, relative to it."""
LONGEST_FALL = 0.9
"""Share of itself that a variance loses at most in a step after one to zero was too long."""
SHORTEST = 1e-6
"""Standard errors below which a step is not shortened."""
LEAST_CURVATURE = 0.2
"""Least share of the expected curvature along a step that is learned."""


class Slope(NamedTuple):
    """A deviance near some variances.

    Attributes
    ----------
    value : float
    gradient : array, shape (variances,)
    information : array, shape (variances, variances)
        Expectation of its second derivatives, or about so; positive definite.
    """

    value: float
    gradient: Floats
    information: Floats


def lowest_deviance(deviance: Callable[[Floats], Slope], count: int) -> Floats:
    """Return the variances, or variance ratios, of the lowest deviance; some may be zero.

    Notes
    -----
    Each step solves the equations of Fisher's scoring for the variances that are not held at
    zero: with equal numbers of equal rows the first one ends the search. The roots of the
    information change about as much as the variances, so steps and gradients relative to these
    roots are those of the variances' logarithms; from short steps the second derivatives are
    learned in these terms (Broyden, Fletcher, Goldfarb and Shanno; Nocedal and Wright 2006,
    Numerical Optimization, equation 6.19). From memory.
    """
    at, here = np.full(count, START), deviance(np.full(count, START))
    unit = np.sqrt(np.diag(here.information))
    bend = here.information / np.outer(unit, unit)
    for _ in range(MOST_STEPS):
        step, gain = _step(at, here.gradient, bend * np.outer(unit, unit))
        if gain < NEGLIGIBLE_GAIN:
            return np.asarray(at + step)
        there = deviance(at + step)
        if _is_above(there, here):
            step = np.maximum(step, -LONGEST_FALL * at)
            there = deviance(at + step)
        while _is_above(there, here) and np.abs(step * unit).max() > SHORTEST:
            step = step / 4.0
            there = deviance(at + step)
        unit_there = np.sqrt(np.diag(there.information))
        change = unit_there / unit
        if change.max() < 2.0 and change.min() > 0.5:
            relative = there.gradient / unit_there - here.gradient / unit
            bend = _learned(bend, step * np.sqrt(unit * unit_there), relative)
        at, here, unit = at + step, there, unit_there
    return at


def _is_above(there: Slope, here: Slope) -> bool:
    return there.value > here.value + NOISE * abs(here.value)


def _step(at: Floats, gradient: Floats, curvature: Floats) -> tuple[Floats, float]:
    """Newton's step after which no variance is negative, and what it gains."""
    zero = (at == 0.0) & (gradient >= 0.0)
    while True:
        step, free = np.where(zero, -at, 0.0), np.flatnonzero(~zero)
        slope = gradient + curvature @ step
        step[free] = -np.linalg.solve(curvature[np.ix_(free, free)], slope[free])
        below = ~zero & (at + step < 0.0)
        if not below.any():
            return step, -float(gradient @ step + step @ curvature @ step / 2.0)
        zero |= below


def _learned(bend: Floats, step: Floats, change: Floats) -> Floats:
    """Second derivatives after a step over which the gradient changed.

    Damped, so that they stay positive definite (Nocedal and Wright 2006, procedure 18.2).
    """
    expected = bend @ step
    square, seen = float(step @ expected), float(step @ change)
    if square <= 0.0:
        return bend
    if seen < LEAST_CURVATURE * square:
        own = (1.0 - LEAST_CURVATURE) * square / (square - seen)
        change = own * change + (1.0 - own) * expected
        seen = LEAST_CURVATURE * square
    learned = np.outer(change, change) / seen - np.outer(expected, expected) / square
    return np.asarray(bend + learned)
