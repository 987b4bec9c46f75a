"""Common effect of a day on all streams: weather, a batch of fiber, a different kind of work.

The common effect is subtracted from each stream's day before the day is judged, so that one hot day
does not raise an alarm on every stream. The charts of the crew and of the sites show it.
"""

from dataclasses import dataclass, field

import numpy as np

from arcdrift.arrays import Floats, Ints

FEWEST_OTHERS = 4
"""Other splicers needed to separate a common effect from one of a single machine."""
CLEAR = 3.0
"""A mean beyond this many standard deviations counts whatever effects earlier days had; at 1 the
noise of days without an effect raised the alarms of 300 streams from 1.2 to 1.45 times the budget.
"""
REACH = 2.5
"""Residuals are clipped at this many standard deviations from the median of their group."""


@dataclass
class CommonDayEffect:
    """Estimates the effect of each day on all streams of a group, and the variance of effects.

    Attributes
    ----------
    variance : float
        Variance of the effects of earlier days, by moments; 0 until one has been seen.
    sums : ndarray, shape (2,)
        Numerator and denominator of that variance, summed over days.
    """

    variance: float = 0.0
    sums: Floats = field(default_factory=lambda: np.zeros(2))

    def estimate(self, residual: Floats, variance: Floats, splicer: Ints, group: Ints) -> Floats:
        """Effect of one day on each row, from the other splicers of the same group.

        Parameters
        ----------
        residual : ndarray, shape (rows,)
            Level of each stream's day less its forecast.
        variance : ndarray, shape (rows,)
            Variance of each residual.
        splicer, group : ndarray of int, shape (rows,)
            Splicer and group of each row. A splicer's own rows are left out of its effect;
            otherwise a fault of one machine would hide itself.

        Returns
        -------
        ndarray, shape (rows,)
            0 where fewer than `FEWEST_OTHERS` other splicers worked.

        Notes
        -----
        The weighted mean m of the others, each clipped at `REACH` standard deviations from the
        group's median, times the larger of two factors: t/(t + 1/W) with the variance t of earlier
        days' effects, and the share of m beyond `CLEAR` standard deviations (soft threshold), so
        that the first hot day of a year counts too. W is the sum of the weights.
        """
        weight = 1.0 / variance
        center = _group_medians(residual, group)[group]
        reach = REACH * np.sqrt(variance)
        clipped = center + np.clip(residual - center, -reach, reach)
        groups = int(group.max()) + 1
        splicer_group = splicer * groups + group
        sums_of_others = []
        for values in (weight, weight * clipped):
            group_sum = np.bincount(group, values)[group]
            sums_of_others.append(group_sum - np.bincount(splicer_group, values)[splicer_group])
        total, weighted = sums_of_others
        present = np.zeros((int(splicer.max()) + 1, groups), dtype=bool)
        present[splicer, group] = True
        splicers = present.sum(axis=0)[group]
        enough = (splicers - 1 >= FEWEST_OTHERS) & (total > 0)
        total = np.where(enough, total, 1.0)
        mean = np.where(enough, weighted / total, 0.0)
        share = np.maximum(
            self.variance / (self.variance + 1.0 / total),
            1.0 - CLEAR / np.sqrt(np.maximum(total * mean**2, CLEAR**2)),
        )
        if enough.any():
            self._update_variance(weight[enough], clipped[enough], group[enough])
        return np.asarray(mean * share, dtype=np.float64)

    def _update_variance(self, weight: Floats, residual: Floats, group: Ints) -> None:
        total, weighted = np.bincount(group, weight), np.bincount(group, weight * residual)
        known = total > 0
        # the expectation of W m^2 is 1 + W t
        squares = weighted[known] ** 2 / total[known] - 1.0
        self.sums += [squares.sum(), total.sum()]
        self.variance = max(float(self.sums[0] / self.sums[1]), 0.0)


def _group_medians(values: Floats, group: Ints) -> Floats:
    """Median of each group, by group number."""
    order = np.lexsort((values, group))
    size = np.bincount(group)
    start = np.cumsum(size) - size
    ordered = values[order]
    last = len(values) - 1
    low = np.minimum(start + np.maximum(size - 1, 0) // 2, last)
    high = np.minimum(start + size // 2, last)
    return np.asarray((ordered[low] + ordered[high]) / 2.0, dtype=np.float64)
