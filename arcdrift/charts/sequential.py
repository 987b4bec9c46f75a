"""Wald's sequential test of a share of bad items, with its exact error rates.

The test continues until the count of bad items leaves the band between two parallel lines. Wald's
formulas for its error rates and expected length are approximate; here both are computed exactly.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, floor
from typing import Literal

import numpy as np
import numpy.typing as npt

Answer = Literal["good", "poor", "open"]


@dataclass(frozen=True)
class SequentialTest:
    """Test of a share ``good`` against a share ``poor``.

    Attributes
    ----------
    good, poor : float
        Shares of bad items, good < poor.
    alpha : float
        Wanted chance of the answer "poor" when the share is ``good``.
    beta : float
        Wanted chance of the answer "good" when the share is ``poor``.
    max_items : int
        The test stays open if neither line is reached within so many items.

    Notes
    -----
    Wald 1947, Sequential Analysis, section 5.3: after m items with d bad ones "good" when
    d <= slope m - h_good, "poor" when d >= slope m + h_poor, with
    slope = log((1-good)/(1-poor))/g, h_good = log((1-alpha)/beta)/g,
    h_poor = log((1-beta)/alpha)/g and g = log(poor (1-good)/(good (1-poor))).
    """

    good: float
    poor: float
    alpha: float = 0.05
    beta: float = 0.05
    max_items: int = 400

    def __post_init__(self) -> None:
        """Check the shares and the error rates."""
        if not 0.0 < self.good < self.poor < 1.0:
            raise ValueError("shares must satisfy 0 < good < poor < 1")
        if not (0.0 < self.alpha < 0.5 and 0.0 < self.beta < 0.5):
            raise ValueError("error rates must lie between 0 and 0.5")

    @property
    def lines(self) -> tuple[float, float, float]:
        """Slope, and the distances of the lower and the upper line from it (h_good, h_poor)."""
        g = np.log(self.poor / self.good) + np.log((1 - self.good) / (1 - self.poor))
        slope = np.log((1 - self.good) / (1 - self.poor)) / g
        return (
            float(slope),
            float(np.log((1 - self.alpha) / self.beta) / g),
            float(np.log((1 - self.beta) / self.alpha) / g),
        )

    def answer(self, bad: npt.ArrayLike) -> tuple[Answer, int]:
        """Answer after a series of items, and the number of items it took (all while open).

        Parameters
        ----------
        bad : array_like of bool
            Items in order.
        """
        count = np.cumsum(np.asarray(bad, dtype=np.float64))[: self.max_items]
        slope, low, high = self.lines
        items = np.arange(1, len(count) + 1)
        good, poor = count <= slope * items - low + 1e-9, count >= slope * items + high - 1e-9
        outside = np.flatnonzero(good | poor)
        if not len(outside):
            return "open", len(count)
        return ("good" if good[outside[0]] else "poor"), int(outside[0]) + 1


@dataclass(frozen=True)
class OutcomeProbabilities:
    """Chance of each answer and expected count of items, for a known true share."""

    good: float
    poor: float
    open: float
    items: float


@lru_cache(maxsize=512)
def outcome_probabilities(
    test: SequentialTest, share: float, bad: int = 0, items: int = 0
) -> OutcomeProbabilities:
    """Exact chances of the answers of a test, from its present state.

    Parameters
    ----------
    share : float
        True share of bad items.
    bad, items : int
        Bad items, and all items, so far.

    Returns
    -------
    Course
        ``items`` is the expected number of further items.

    Notes
    -----
    The distribution of the count of bad items of tests still open is updated item by item,
    without approximation.
    """
    return outcome_curve(test, [share], bad, items)[0]


def outcome_curve(
    test: SequentialTest, shares: Sequence[float], bad: int = 0, items: int = 0
) -> list[OutcomeProbabilities]:
    """`outcome_probabilities` of several true shares."""
    slope, low, high = test.lines
    size = int(np.ceil(slope * test.max_items + high)) + 2
    chance = np.zeros((len(shares), size))
    chance[:, min(bad, size - 1)] = 1.0
    good, poor, expected = np.zeros((3, len(shares)))
    still_open = np.ones(len(shares))
    # shares at which the test may still be open
    going, worse = np.arange(len(shares)), np.array(shares)[:, None]
    for item in range(items + 1, test.max_items + 1):
        expected[going] += still_open[going]
        moved = chance * (1.0 - worse)
        moved[:, 1:] += chance[:, :-1] * worse
        # counts up to `passed` and from `failed` on are answers
        passed = max(floor(slope * item - low + 1e-9) + 1, 0)
        failed = ceil(slope * item + high - 1e-9)
        if passed:
            good[going] += moved[:, :passed].sum(axis=1)
            moved[:, :passed] = 0.0
        poor[going] += moved[:, failed:].sum(axis=1)
        moved[:, failed:] = 0.0
        chance, remaining = moved, moved.sum(axis=1)
        still_open[going] = remaining
        if remaining.min() < 1e-12:
            is_open = remaining >= 1e-12
            chance, going, worse = (each[is_open] for each in (chance, going, worse))
            if not len(going):
                break
    return [
        OutcomeProbabilities(*map(float, each))
        for each in zip(good, poor, still_open, expected, strict=True)
    ]
