"""How long a Shewhart chart with supplementary run rules goes on before it alarms.

The chart's state is what its rules still have to remember: for "k of m" rules the places, among
the last m - 1 points, of those beyond the rule's line. The states that can be reached without an
alarm form a Markov chain, and its average run length is exact (Champ and Woodall 1987,
Technometrics 29, 393-399). Points are independent normal values in standard deviations from the
center line.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from arcdrift.charts.run_length import LONGEST, FloatArray
from arcdrift.errors import BadInput


@dataclass(frozen=True)
class RunRule:
    """Alarm when `count` of the last `among` points lie beyond `line` on the same side."""

    count: int
    among: int
    line: float


WESTERN_ELECTRIC = {
    "1": RunRule(1, 1, 3.0),
    "2": RunRule(2, 3, 2.0),
    "3": RunRule(4, 5, 1.0),
    "4": RunRule(8, 8, 0.0),
}
"""Western Electric 1956, Statistical Quality Control Handbook, as Champ and Woodall number them."""


def _chosen(rules: str) -> tuple[RunRule, ...]:
    if not rules or not set(rules) <= set(WESTERN_ELECTRIC):
        raise BadInput(
            f"Run rules are named by their numbers 1 to 4, such as '124'; not {rules!r}."
        )
    return tuple(WESTERN_ELECTRIC[number] for number in sorted(set(rules)))


def _useful(bits: int, rule: RunRule) -> int:
    """Remembered points without those that fall out of the window before they could matter."""
    kept = bits
    for age in range(rule.among - 2, -1, -1):
        # A point of this age stays in the window for `among - 2 - age` more points after the next.
        if kept >> age & 1:
            ahead = rule.among - 1 - age
            if (kept & ((2 << age) - 1)).bit_count() + ahead >= rule.count:
                return kept
            kept &= ~(1 << age)
    return kept


@lru_cache(maxsize=32)
def _moves(rules: str) -> tuple[int, FloatArray, NDArray[np.int64]]:
    """States, the zones' bounds, and each move without alarm as (from, zone, to)."""
    chosen = _chosen(rules)
    lines = sorted({side * rule.line for rule in chosen for side in (-1.0, 1.0)})
    bounds = np.array([-np.inf, *lines, np.inf])
    beyond = [
        [(side, low >= rule.line if side > 0 else high <= -rule.line)
         for side in (1, -1) for rule in chosen]
        for low, high in pairwise(bounds)
    ]  # fmt: skip
    memory = [rule for _ in (1, -1) for rule in chosen]
    start = (0,) * len(memory)
    number = {start: 0}
    waiting, moves = [start], []
    while waiting:
        state = waiting.pop()
        for zone, outside in enumerate(beyond):
            following = []
            for bits, rule, (_, out) in zip(state, memory, outside, strict=True):
                window = bits << 1 | out
                if window.bit_count() >= rule.count:
                    break
                following.append(_useful(window & ((1 << (rule.among - 1)) - 1), rule))
            else:
                to = tuple(following)
                if to not in number:
                    number[to] = len(number)
                    waiting.append(to)
                moves.append((number[state], zone, number[to]))
    return len(number), bounds, np.array(moves, dtype=np.int64).reshape(-1, 3)


def shewhart_arl(shift: float = 0.0, *, rules: str = "1", widen: float = 1.0) -> float:
    """Average run length of a Shewhart chart with run rules.

    Parameters
    ----------
    shift : float
        Mean of the plotted values in their standard deviations, from the first value on.
    rules : str
        Numbers of the Western Electric rules in use: 1, a point beyond 3 standard deviations;
        2, two of three beyond 2; 3, four of five beyond 1; 4, eight in a row; 2 to 4 on the same
        side of the center line.
    widen : float
        Factor on the lines of all rules (it cannot move the center line of rule 4).

    Returns
    -------
    float
        Mean number of values up to and including the alarm; infinite beyond `LONGEST`.

    Raises
    ------
    BadInput
        For an unknown rule, or a factor that is not above 0.
    """
    if not (np.isfinite(widen) and widen > 0.0):
        raise BadInput(f"The lines can only be widened by a factor above 0, not {widen:g}.")
    states, bounds, moves = _moves(rules)
    z = bounds * widen - shift
    # The smaller tail keeps its digits when a zone lies far out.
    chance = np.where(z[:-1] > 0.0, ndtr(-z[:-1]) - ndtr(-z[1:]), ndtr(z[1:]) - ndtr(z[:-1]))
    leaving = np.eye(states)
    np.subtract.at(leaving, (moves[:, 0], moves[:, 2]), chance[moves[:, 1]])
    try:
        run = np.linalg.solve(leaving, np.ones(states))
    except np.linalg.LinAlgError:
        return math.inf
    # Where leaving is as rare as rounding, the solution is noise.
    return float(run[0]) if run.min() > 0.5 and run.max() < LONGEST else math.inf
