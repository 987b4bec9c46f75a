"""Effects of technicians on the loss of streams, so that a change of hands is no rise of a stream.

A stream's day is expected to lose what the stream usually loses, moved by the usual effects of the
people who made its splices, weighted by their splices. Effects come from earlier days only and are
shrunken toward 0 (best linear unbiased prediction with the levels of the streams taken as known).
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import text_codes
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Bools, Floats, Ints

PRIOR_EFFECT = 0.10
"""Prior standard deviation of a person's effect, on the scale of `relative_level`."""
PRIOR_PEOPLE = 4.0
"""Number of people the prior is worth."""
LEAST_EFFECT = 0.02
CLIP = 2.5
"""Standard deviations at which one cell's residual is clipped."""


class PersonEffects:
    """Effects of people, learned a day at a time from cells of one person, stream and day.

    Parameters
    ----------
    cells : DataFrame
        ``row`` (number of the stream day in the order in which days are charted), ``technician``,
        ``n`` and ``capped`` (dB) of splices with a loss.
    row_n : array, shape (rows,)
        Splices of each stream day.
    lag : int
        Days of the crew's calendar that the effects stay behind, so that they do not learn a rise
        before the charts have seen it.
    """

    def __init__(self, cells: pd.DataFrame, row_n: Floats, lag: int) -> None:
        used = (cells["n"] > 0) & (cells["technician"] != NOBODY)
        cells = cells[used].sort_values("row", kind="stable")
        self.row: Ints = cells["row"].to_numpy(np.int64)
        # in order of their first cells, so that a state still knows them when others have come
        self.person, names = pd.factorize(text_codes(cells["technician"])[0])
        self.n: Floats = cells["n"].to_numpy(np.float64)
        self.mean: Floats = cells["capped"].to_numpy(np.float64) / self.n
        self.share: Floats = self.n / row_n[self.row]
        self.people = len(names)
        # sums of weight and weight x residual at the end of each of the last days
        self._sums = np.zeros((lag + 1, 2, self.people))
        self._prior = PRIOR_EFFECT**2

    def state(self) -> tuple[Floats, float]:
        """What was learned so far."""
        return self._sums, self._prior

    def restore(self, state: tuple[Floats, float]) -> None:
        """Go on from a state, which may know fewer people."""
        sums, self._prior = state
        self._sums[..., : sums.shape[-1]] = sums

    def cells_of(self, rows: slice) -> slice:
        """Cells of some consecutive stream days."""
        first, last = np.searchsorted(self.row, (rows.start, rows.stop))
        return slice(int(first), int(last))

    def effects(self) -> Floats:
        """Effect of each person as known `lag` days ago."""
        weight, total = self._sums[0]
        return np.asarray(total / (weight + 1.0 / self._prior), dtype=np.float64)

    def offset(self, rows: slice) -> Floats:
        """Mean effect of the people behind each stream day, weighted by their splices."""
        cells = self.cells_of(rows)
        values = self.share[cells] * self.effects()[self.person[cells]]
        size = rows.stop - rows.start
        return np.bincount(self.row[cells] - rows.start, values, minlength=size).astype(np.float64)

    def learn(
        self, cells: slice, residual: Floats, variance: Floats, usable: Bools, *, monthly: bool
    ) -> None:
        """Update the effects with one day's cells.

        Parameters
        ----------
        residual : array, shape (cells,)
            Level of each cell less what its stream loses without any effect of people.
        variance : array, shape (cells,)
        usable : array of bool, shape (cells,)
        monthly : bool
            Estimate the variance between people anew.
        """
        reach = CLIP * np.sqrt(variance + self._prior)
        weight = usable / variance
        values = weight * np.clip(residual, -reach, reach)
        sums = self._sums[-1].copy()
        for total, added in zip(sums, (weight, values), strict=True):
            total += np.bincount(self.person[cells], added, minlength=self.people)
        self._sums = np.concatenate([self._sums[1:], sums[None]])
        if monthly:
            self._estimate_prior()

    def _estimate_prior(self) -> None:
        """Variance between people by moments, shrunken toward the prior."""
        weight, total = self._sums[-1]
        known = weight > 0
        squares = (total[known] / weight[known]) ** 2 - 1.0 / weight[known]
        pooled = PRIOR_PEOPLE * PRIOR_EFFECT**2 + squares.sum()
        self._prior = max(pooled / (PRIOR_PEOPLE + known.sum()), LEAST_EFFECT**2)
