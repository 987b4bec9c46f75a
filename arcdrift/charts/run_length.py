"""How long EWMA and CUSUM charts run before they alarm, for independent normal values.

The chart's position is a Markov chain (Brook and Evans 1972, Biometrika 59, 539-549; for the
EWMA Lucas and Saccucci 1990, Technometrics 32, 1-12). Its states are placed at Gauss-Legendre
nodes instead of in equal cells, which solves Crowder's (1987, Technometrics 29, 401-407)
integral equation; with three nodes and more to each standard deviation of a step the average
run lengths are stable to about 1e-8, where equal cells need extrapolation for 1e-4. A chart
that reflects at 0 has one more state, exactly at 0, because it rests there with positive
probability. It starts afresh there, which gives its run length, however long, without
cancellation: mean length of an excursion over the chance that one ends in an alarm. The two-sided
EWMA has no such state; rounding adds a relative error of about 1e-16 times the run length itself,
so `LONGEST` bounds its answer.

Everything is in standard deviations of one plotted value; the EWMA's limit is counted in
standard deviations of the settled EWMA, so the line is drawn at
``limit * sqrt(lam / (2 - lam))``.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from arcdrift.errors import BadInput

FloatArray = NDArray[np.float64]
Sided = Literal["one", "two"]

_ROOT_TWO_PI = math.sqrt(2.0 * math.pi)
LONGEST = 1e10
"""Average run lengths of two-sided EWMAs beyond this are given as infinite."""

# A limit that still moves counts as settled once its relative distance is this small.
_SETTLED = 1e-9


@dataclass(frozen=True)
class _States:
    """Positions without alarm: quadrature nodes, and 0 first when the chart reflects there."""

    points: FloatArray
    weights: FloatArray
    upper: float
    reflecting: bool


@lru_cache(maxsize=64)
def _legendre(count: int) -> tuple[FloatArray, FloatArray]:
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


def _transition(mean: FloatArray, step_sd: float, to: _States) -> FloatArray:
    """Chance of moving to each state without an alarm, one row for each mean of the next value."""
    distance = (to.points[None, :] - mean[:, None]) / step_sd
    chance = np.exp(-0.5 * distance**2) * (to.weights / (step_sd * _ROOT_TWO_PI))[None, :]
    if to.reflecting:
        chance[:, 0] = ndtr(-mean / step_sd)
    return np.asarray(chance, dtype=np.float64)


def excursions(chance: FloatArray, alarm: FloatArray) -> tuple[FloatArray, FloatArray]:
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


def _excursions(mean: FloatArray, step_sd: float, to: _States) -> tuple[FloatArray, FloatArray]:
    return excursions(_transition(mean, step_sd, to), ndtr((mean - to.upper) / step_sd))


def _mean_run(mean: FloatArray, step_sd: float, to: _States) -> FloatArray | None:
    """Average run length from each state; None when too long to compute."""
    if to.reflecting:
        length, alarm = _excursions(mean, step_sd, to)
        return length + (1.0 - alarm) * length[0] / alarm[0] if alarm[0] > 0.0 else None
    leaving = np.eye(len(mean)) - _transition(mean, step_sd, to)
    try:
        run = np.linalg.solve(leaving, np.ones(len(mean)))
    except np.linalg.LinAlgError:
        return None
    # Where leaving is as rare as rounding, the solution is noise and may even be negative.
    sound = run.min() > 0.5 and run.max() < LONGEST
    return np.asarray(run, dtype=np.float64) if sound else None


def _check_ewma(lam: float, limit: float, sided: str) -> None:
    if not 0.0 < lam <= 1.0:
        raise BadInput(f"The EWMA weight must be above 0 and at most 1, not {lam:g}.")
    if not (math.isfinite(limit) and limit >= 0.0):
        raise BadInput(f"The EWMA limit must be a number of at least 0, not {limit:g}.")
    check_sided(sided)


def check_sided(sided: str) -> None:
    """Refuse anything but one-sided and two-sided."""
    if sided not in ("one", "two"):
        raise BadInput(f"A chart is one-sided or two-sided: say 'one' or 'two', not {sided!r}.")


def ewma_arl(
    lam: float,
    limit: float,
    shift: float = 0.0,
    *,
    sided: Sided = "two",
    head_start: float = 0.0,
    varying: bool = False,
) -> float:
    """Average run length of an EWMA chart.

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
    head_start : float
        Start of the EWMA in the unit of `limit` (fast initial response). Two-sided, this is
        Lucas and Saccucci's (1990, section 5) pair of EWMAs started at plus and minus the head
        start, each watched at its own side.
    varying : bool
        True for limits that follow the EWMA's exact standard deviation since the start,
        ``sqrt(lam / (2 - lam) (1 - (1 - lam)^(2 t)))``; False for the settled limit throughout.

    Returns
    -------
    float
        Mean number of values up to and including the alarm; two-sided, infinite beyond `LONGEST`.

    Raises
    ------
    BadInput
        When a parameter is out of range.
    """
    _check_ewma(lam, limit, sided)
    if not 0.0 <= head_start < max(limit, 1e-300):
        raise BadInput(f"A head start lies between 0 and the limit, not at {head_start:g}.")
    unit = math.sqrt(lam / (2.0 - lam))
    line, start = limit * unit, head_start * unit
    one = sided == "one"

    def states(upper: float) -> _States:
        return _states(0.0 if one else -upper, upper, lam, reflecting=one)

    def ahead(points: FloatArray) -> FloatArray:
        return (1.0 - lam) * points + lam * shift

    settled = states(line)
    run = _mean_run(ahead(settled.points), lam, settled)
    if run is None:
        return math.inf
    # The pair of EWMAs sees the same values, so half their distance is known at every step: a
    # head start on both sides is a two-sided chart whose limits open from line - start to line.
    opening = 0.0 if one else start
    first = np.array([start if one else 0.0])
    if not varying and opening == 0.0:
        return float(1.0 + (_transition(ahead(first), lam, settled) @ run)[0])

    total, step = 0.0, 0
    mass, points = np.ones(1), first
    while True:
        step += 1
        kept = (1.0 - lam) ** step
        if kept * (1.0 if opening else kept) < _SETTLED:
            break
        total += mass.sum()
        spread = math.sqrt(1.0 - kept**2) if varying else 1.0
        here = states(max(line * spread - opening * kept, 0.0))
        mass, points = mass @ _transition(ahead(points), lam, here), here.points
        if mass.sum() * run.max() < _SETTLED * total:
            break
    return float(total + mass.sum() + mass @ _transition(ahead(points), lam, settled) @ run)


def ewma_quantile(
    lam: float,
    limit: float,
    shift: float = 0.0,
    *,
    probability: float = 0.5,
    sided: Sided = "two",
    running: bool = False,
) -> int:
    """Count of values within which an EWMA chart alarms with a given probability.

    Parameters
    ----------
    lam, limit, shift, sided
        As in `ewma_arl`, with the settled limit.
    probability : float
        0.5 gives the median run length.
    running : bool
        False: the shift is there from the chart's first value. True: the chart has been running
        without shift for long and has not alarmed (its quasi-stationary state) when the shift
        begins, and only values from then on are counted.

    Returns
    -------
    int
        Smallest count whose chance of an alarm reaches `probability`.

    Raises
    ------
    BadInput
        When a parameter is out of range.
    """
    _check_ewma(lam, limit, sided)
    if not 0.0 < probability < 1.0:
        raise BadInput(f"A probability lies between 0 and 1, not at {probability:g}.")
    one = sided == "one"
    line = limit * math.sqrt(lam / (2.0 - lam))
    states = _states(0.0 if one else -line, line, lam, reflecting=one)

    def move(points: FloatArray, mean: float) -> FloatArray:
        return _transition((1.0 - lam) * points + lam * mean, lam, states)

    chance = move(states.points, shift)
    if running:
        values, vectors = np.linalg.eig(move(states.points, 0.0).T)
        settled = np.abs(vectors[:, np.argmax(values.real)].real)
        first = (settled / settled.sum()) @ chance
    else:
        first = move(np.zeros(1), shift)[0]
    # An exact tie, such as a median of 1, must not be lost to rounding.
    return _first_below(first, chance, (1.0 - probability) * (1.0 + 1e-9))


def _first_below(mass: FloatArray, chance: FloatArray, level: float) -> int:
    """Smallest count of steps after which at most `level` is left; `mass` is after one step."""
    if mass.sum() <= level:
        return 1
    powers = [chance]
    while (mass @ powers[-1]).sum() > level and len(powers) < 60:
        powers.append(powers[-1] @ powers[-1])
    steps = 1
    for exponent in range(len(powers) - 1, -1, -1):
        ahead = mass @ powers[exponent]
        if ahead.sum() > level:
            mass, steps = ahead, steps + 2**exponent
    return steps + 1


def cusum_arl(
    k: float,
    h: float,
    shift: float = 0.0,
    *,
    sided: Sided = "two",
    head_start: float = 0.0,
) -> float:
    """Average run length of the tabular CUSUM ``S = max(0, S + z - k)``, alarm at ``S > h``.

    Parameters
    ----------
    k, h : float
        Reference value and decision interval, in standard deviations of a plotted value; k >= 0.
    shift : float
        Mean of the plotted values, from the first value on.
    sided : {"two", "one"}
        ``"two"`` adds the mirrored lower CUSUM. The two do not interact while k >= 0, so their
        averages combine by Lucas and Crosier's (1982, Technometrics 24, 199-205) formula.
    head_start : float
        Start of S (of both, when two-sided).

    Returns
    -------
    float
        Mean number of values up to and including the alarm.

    Raises
    ------
    BadInput
        When a parameter is out of range.
    """
    check_sided(sided)
    if not (math.isfinite(k) and k >= 0.0):
        raise BadInput(f"The CUSUM reference value must be a number of at least 0, not {k:g}.")
    if not (math.isfinite(h) and h >= 0.0):
        raise BadInput(f"The CUSUM decision interval must be a number of at least 0, not {h:g}.")
    if not 0.0 <= head_start <= h:
        raise BadInput(f"A head start lies between 0 and {h:g}, not at {head_start:g}.")
    if sided == "one":
        return _cusum_side(k, h, shift, head_start).from_start
    sooner = _cusum_side(k, h, abs(shift), head_start)
    later = _cusum_side(k, h, -abs(shift), head_start)
    if math.isinf(sooner.from_zero):
        return math.inf
    # Lucas and Crosier's formula, divided by the later side's run length, which may be huge.
    ratio = sooner.from_zero / later.from_zero
    total = sooner.from_start + ratio * later.length - later.alarm * sooner.from_zero
    return total / (1.0 + ratio)


@dataclass(frozen=True)
class _CusumSide:
    """Average run lengths of one sum, and its first excursion from the head start."""

    from_zero: float
    from_start: float
    length: float
    alarm: float


def _cusum_side(k: float, h: float, shift: float, head_start: float) -> _CusumSide:
    states = _states(0.0, h, 1.0, reflecting=True)
    # The head start is one more state, which nothing moves to.
    states = _States(
        np.append(states.points, head_start), np.append(states.weights, 0.0), h, reflecting=True
    )
    length, alarm = _excursions(states.points + shift - k, 1.0, states)
    from_zero = float(length[0] / alarm[0]) if alarm[0] > 0.0 else math.inf
    first_length, first_alarm = float(length[-1]), float(alarm[-1])
    from_start = first_length + (1.0 - first_alarm) * from_zero
    return _CusumSide(from_zero, from_start, first_length, first_alarm)
