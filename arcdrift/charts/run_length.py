"""Average run length of EWMA charts until an alarm, for independent normal values.

The chart's position is a Markov chain (Brook and Evans 1972, Biometrika 59, 539-549; for the
EWMA Lucas and Saccucci 1990, Technometrics 32, 1-12). Its states are placed at Gauss-Legendre
nodes instead of in equal cells, which solves Crowder's (1987, Technometrics 29, 401-407)
integral equation; with at least three nodes per standard deviation of a step the average run
lengths are accurate to about 1e-8, where equal cells need extrapolation for 1e-4.

A one-sided chart reflects at 0 and has one more state, exactly at 0, because it stays there with
positive probability. Every return to 0 is a fresh start, so its run length is the mean length of
an excursion from 0 over the chance that one ends in an alarm, without cancellation however long
it is. The two-sided EWMA has no such state; rounding adds a relative error of about 1e-16 times
the run length itself, so run lengths beyond `LONGEST` are given as infinite.

Everything is in standard deviations of one plotted value; the EWMA's limit is counted in
standard deviations of the settled EWMA, so the line is drawn at
``limit * sqrt(lam / (2 - lam))``.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.special import ndtr

from arcdrift.arrays import Floats
from arcdrift.errors import BadInput

Sided = Literal["one", "two"]

_ROOT_TWO_PI = math.sqrt(2.0 * math.pi)
LONGEST = 1e10
"""Average run lengths of two-sided EWMAs beyond this are given as infinite."""


@dataclass(frozen=True)
class _States:
    """Positions without alarm: quadrature nodes, and 0 first when the chart reflects there."""

    points: Floats
    weights: Floats
    upper: float
    reflecting: bool


@lru_cache(maxsize=64)
def _legendre(count: int) -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def _states(lower: float, upper: float, step_sd: float, *, reflecting: bool) -> _States:
    width = upper - lower
    count = 10 * math.ceil(3.0 + 0.3 * width / step_sd)
    nodes, weights = _legendre(count)
    points = lower + width * (nodes + 1.0) / 2.0
    weights = weights * width / 2.0
    if reflecting:
        points = np.concatenate(([0.0], points))
        weights = np.concatenate(([0.0], weights))
    return _States(points, weights, upper, reflecting)


def _transition(mean: Floats, step_sd: float, to: _States) -> Floats:
    """Chance of moving to each state without an alarm, one row for each mean of the next value."""
    distance = (to.points[None, :] - mean[:, None]) / step_sd
    chance = np.exp(-0.5 * distance**2) * (to.weights / (step_sd * _ROOT_TWO_PI))[None, :]
    if to.reflecting:
        chance[:, 0] = ndtr(-mean / step_sd)
    return np.asarray(chance, dtype=np.float64)


def excursions(chance: Floats, alarm: Floats) -> tuple[Floats, Floats]:
    """Mean length of an excursion from each state, and chance that it ends in an alarm.

    An excursion ends with an alarm or the return to the first state. The average run length from
    state i is ``length[i] + (1 - ends[i]) length[0] / ends[0]``, without cancellation.

    Parameters
    ----------
    chance : ndarray, shape (states, states)
        Chance of moving from one state (row) to another without an alarm.
    alarm : ndarray, shape (states,)
        Chance of an alarm in the next step.
    """
    onward = chance[:, 1:]
    inner = np.eye(len(alarm) - 1) - onward[1:]
    ahead = np.linalg.solve(inner, np.column_stack((np.ones(len(alarm) - 1), alarm[1:])))
    return 1.0 + onward @ ahead[:, 0], alarm + onward @ ahead[:, 1]


def _mean_run(mean: Floats, step_sd: float, to: _States) -> Floats | None:
    """Average run length from each state; None when too long to compute."""
    chance = _transition(mean, step_sd, to)
    if to.reflecting:
        length, alarm = excursions(chance, ndtr((mean - to.upper) / step_sd))
        return length + (1.0 - alarm) * length[0] / alarm[0] if alarm[0] > 0.0 else None
    try:
        run = np.linalg.solve(np.eye(len(mean)) - chance, np.ones(len(mean)))
    except np.linalg.LinAlgError:
        return None
    # If an alarm is as rare as rounding, the solution is noise and may even be negative.
    sound = run.min() > 0.5 and run.max() < LONGEST
    return np.asarray(run, dtype=np.float64) if sound else None


def ewma_arl(lam: float, limit: float, shift: float = 0.0, *, sided: Sided = "two") -> float:
    """Average run length of an EWMA chart that starts at 0, with settled limits.

    Parameters
    ----------
    lam : float
        Weight of the newest value, in (0, 1].
    limit : float
        Limit in standard deviations of the settled EWMA.
    shift : float
        Mean of the plotted values, in their standard deviations, from the first value on.
    sided : {"two", "one"}
        ``"two"``: ``E = (1 - lam) E + lam z`` between ``-c`` and ``c``. ``"one"``: the upper
        chart that reflects at 0, ``E = max(0, (1 - lam) E + lam z)``.

    Returns
    -------
    float
        Mean number of values up to and including the alarm; two-sided, infinite beyond `LONGEST`.

    Raises
    ------
    BadInput
        When a parameter is out of range.
    """
    if not 0.0 < lam <= 1.0:
        raise BadInput(f"The EWMA weight must be above 0 and at most 1, not {lam:g}.")
    if not (math.isfinite(limit) and limit >= 0.0):
        raise BadInput(f"The EWMA limit must be a number of at least 0, not {limit:g}.")
    if sided not in ("one", "two"):
        raise BadInput(f"A chart is one-sided or two-sided: say 'one' or 'two', not {sided!r}.")
    line = limit * math.sqrt(lam / (2.0 - lam))
    states = _states(0.0 if sided == "one" else -line, line, lam, reflecting=sided == "one")
    run = _mean_run((1.0 - lam) * states.points + lam * shift, lam, states)
    if run is None:
        return math.inf
    return float(1.0 + (_transition(np.array([lam * shift]), lam, states) @ run)[0])
