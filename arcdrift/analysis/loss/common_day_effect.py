"""What a day does to everybody at once: weather, a batch of fiber, a change on the road.

A common effect is taken out of each stream's day before it is judged, so that one hot day is not
an alarm on every stream; the crew's and the sites' own charts show it.
"""

from dataclasses import dataclass, field

import numpy as np

from arcdrift.arrays import Floats, Ints

FEWEST_OTHERS = 4
"""Other splicers needed to tell a common effect from one machine's own."""
CLEAR = 3.0
"""Standard deviations beyond which a day speaks for itself, whatever earlier days were like; at 1
the noise of calm days alone raised the alarms of 300 streams from 1.2 to 1.45 times the budget."""
REACH = 2.5
"""Standard deviations from the median that one stream's day may pull."""


@dataclass
class SharedEffect:
    """Effect of each day on all streams of a group, and how far such effects usually go.

    Attributes
    ----------
    variance : float
        Of the effects of earlier days, by moments; 0 until days have shown one.
    """

    variance: float = 0.0
    sums: Floats = field(default_factory=lambda: np.zeros(2))

    def of(self, left: Floats, variance: Floats, owner: Ints, group: Ints) -> Floats:
        """Effect that the others of the same group tell for each row.

        Parameters
        ----------
        left : ndarray, shape (rows,)
            What one day left of each stream's level beyond its forecast.
        variance : ndarray, shape (rows,)
            Of those.
        owner, group : ndarray of int, shape (rows,)
            Splicer and group of each row. A splicer's own rows never enter its effect: a fault
            of one machine would otherwise hide itself.

        Returns
        -------
        ndarray, shape (rows,)
            0 where fewer than `FEWEST_OTHERS` other splicers worked.

        Notes
        -----
        The weighted mean m of the others, each within `REACH` standard deviations of the group's
        median, times the larger of two shares: t/(t + 1/W) with the variance t of earlier days'
        effects, and what of m lies beyond `CLEAR` standard deviations (soft threshold), so that
        the first hot day of a year counts too. W is the sum of the weights.
        """
        weight = 1.0 / variance
        center = _medians(left, group)[group]
        reach = REACH * np.sqrt(variance)
        pulled = center + np.clip(left - center, -reach, reach)
        groups = int(group.max()) + 1
        both = owner * groups + group
        parts = []
        for values in (weight, weight * pulled):
            whole = np.bincount(group, values)[group]
            parts.append(whole - np.bincount(both, values)[both])
        total, moved = parts
        present = np.zeros((int(owner.max()) + 1, groups), dtype=bool)
        present[owner, group] = True
        owners = present.sum(axis=0)[group]
        enough = (owners - 1 >= FEWEST_OTHERS) & (total > 0)
        total = np.where(enough, total, 1.0)
        mean = np.where(enough, moved / total, 0.0)
        share = np.maximum(
            self.variance / (self.variance + 1.0 / total),
            1.0 - CLEAR / np.sqrt(np.maximum(total * mean**2, CLEAR**2)),
        )
        if enough.any():
            self._learn(weight[enough], pulled[enough], group[enough])
        return np.asarray(mean * share, dtype=np.float64)

    def _learn(self, weight: Floats, pulled: Floats, group: Ints) -> None:
        total, moved = np.bincount(group, weight), np.bincount(group, weight * pulled)
        known = total > 0
        # the mean of W m^2 is 1 + W t
        squares = moved[known] ** 2 / total[known] - 1.0
        self.sums += [squares.sum(), total.sum()]
        self.variance = max(float(self.sums[0] / self.sums[1]), 0.0)


def _medians(values: Floats, group: Ints) -> Floats:
    """Median of each group, in order of its number."""
    order = np.lexsort((values, group))
    size = np.bincount(group)
    start = np.cumsum(size) - size
    ordered = values[order]
    last = len(values) - 1
    low = np.minimum(start + np.maximum(size - 1, 0) // 2, last)
    high = np.minimum(start + size // 2, last)
    return np.asarray((ordered[low] + ordered[high]) / 2.0, dtype=np.float64)
