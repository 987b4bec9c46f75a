"""Each subject's errors among those of the same hands, or on the same machines."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from arcdrift.analysis.attempts.hints.comparisons import UNNAMED, Attempts, Comparison
from arcdrift.analysis.common.grouping import group_index
from arcdrift.arrays import Bools, Ints
from arcdrift.charts.beta_binomial import upper_tail
from arcdrift.charts.stratified_contrast import stratified_contrast


class SubjectCounts:
    """The subjects of one comparison, with what was counted of each."""

    def __init__(
        self, comparison: Comparison, log: Attempts, apart: Sequence[Mapping[str, str]]
    ) -> None:
        """Count without the work of subjects that are named already (``apart``)."""
        named = np.ones(len(log.cells), dtype=bool)
        for column in comparison.subject:
            named &= ~log.cells[column].isin(UNNAMED).to_numpy()
        for subject in apart:
            inside = np.ones(len(named), dtype=bool)
            for column in set(subject) & set(log.cells):
                inside &= (log.cells[column] == subject[column]).to_numpy()
            named &= ~inside
        self.cells = log.cells[named].reset_index(drop=True)
        self.comparison, self.recent = comparison, log.recent[named]
        self.x, self.m = (values[comparison.kind][named] for values in (log.counts, log.expected))
        self.n = self.cells["attempts"].to_numpy(dtype=np.float64)
        self.subjects = 0
        if len(self.cells):
            keys = (self.cells[name] for name in comparison.subject)
            self.subject, self.first = group_index(*keys)
            # only what is still in use can still be at fault
            in_use = np.bincount(self.subject, self.recent) > 0
            self.tested = np.flatnonzero(in_use)
            self.subjects = int(in_use.sum())


@dataclass(frozen=True)
class Evidence:
    """In whose work a subject's errors show.

    Attributes
    ----------
    confirming : int
        People (machines) with more errors than expected.
    strongest : str
        The one with the largest excess.
    rest : (float, float, float)
        Errors of the subject without that one, errors of the same strata, and expected share.
    """

    confirming: int
    strongest: str
    rest: tuple[float, float, float]


class SubjectShares:
    """Each subject's errors among those of its strata."""

    def __init__(self, compared: SubjectCounts, within: Sequence[str], used: Bools) -> None:
        self._compared, self._used = compared, used
        cells = compared.cells[used]
        self._subject = compared.subject[used]
        size = len(cells)
        none: Ints = np.zeros(0, np.int64)
        everywhere: Ints = np.zeros(size, np.int64)  # one stratum without columns
        columns = (cells[name] for name in within)
        self._stratum: Ints = group_index(everywhere, *columns)[0] if size else none
        pair, first = group_index(self._subject, self._stratum) if size else (none, none)
        n, x = compared.n[used], compared.x[used]
        self._of_cell = pair
        own_n, own_x = np.bincount(pair, n), np.bincount(pair, x)
        at = self._stratum[first] if size else first
        self._who = self._subject[first] if size else first
        self._trials = np.bincount(self._stratum, x)[at] if size else own_x
        self._n, self._x = own_n, own_x
        self._others_n = (np.bincount(self._stratum, n)[at] if size else own_n) - own_n
        self._share = own_n / np.maximum(own_n + self._others_n, 1e-12)
        # strata without others say nothing
        self._informative = (self._others_n > 0) & (self._trials > 0)

    def p_value(self, number: int, dispersion: float, subject_sd: float = 0.0) -> float:
        """Probability of as many errors or more if the subject were like the others.

        Parameters
        ----------
        dispersion : float
            Variance of a subject's errors over that of a Poisson count.
        subject_sd : float
            Standard deviation by which log rates of subjects differ without a fault.
        """
        pairs = np.flatnonzero((self._who == number) & self._informative)
        if not len(pairs):
            return 1.0
        trials, share = self._trials[pairs], self._share[pairs]
        total, expected = trials.sum(), (trials * share).sum()
        variance = (trials * share * (1.0 - share)).sum()
        mean = float(expected / total)
        # a small difference d of log rates moves the expected errors by d times this variance
        widened = (dispersion + subject_sd**2 * variance) * variance
        widened /= max(total * mean * (1.0 - mean), 1e-12)
        return upper_tail(float(self._x[pairs].sum()), float(total), mean, max(widened, 1.0))

    def ratio(self, number: int) -> dict[str, object]:
        """Errors expected of the subject, and its rate as a multiple of the others'."""
        strata = np.isin(self._stratum, self._stratum[self._subject == number])
        compared = self._compared
        n, x = compared.n[self._used][strata], compared.x[self._used][strata]
        day, _ = (
            group_index(compared.cells["day"][self._used][strata]) if len(n) else (self._stratum, 0)
        )
        contrast = stratified_contrast(
            self._subject[strata] == number, x, n, self._stratum[strata], day, "ratio"
        )
        pairs = (self._who == number) & (self._others_n > 0)
        rate = (self._trials - self._x)[pairs] / self._others_n[pairs]
        return {
            "expected": float((self._n[pairs] * rate).sum()) if pairs.any() else np.nan,
            "ratio": contrast.estimate, "low": contrast.low, "high": contrast.high,
        }  # fmt: skip

    def still_shows(self, number: int) -> bool:
        """Whether errors are still above those of the others in the last `RECENT_DAYS`."""
        compared = self._compared
        recent = compared.recent[self._used] & (self._subject == number)
        if not recent.any():
            return False
        pair = self._of_cell[recent]
        known = self._others_n[pair] > 0
        rate = (self._trials - self._x)[pair] / np.maximum(self._others_n[pair], 1.0)
        expected = float((compared.n[self._used][recent] * rate)[known].sum())
        return float(compared.x[self._used][recent][known].sum()) > expected

    def evidence(self, number: int) -> Evidence:
        """In whose work the subject's errors show, by person (or machine, for a person)."""
        compared = self._compared
        where = self._subject == number
        names = compared.cells[compared.comparison.evidence][self._used][where]
        partner, first = group_index(names)
        pairs, at = np.unique(self._of_cell[where], return_index=True)
        told = self._informative[pairs]
        pairs, owner = pairs[told], partner[at][told]  # a stratum belongs to one of them
        share = self._share[pairs]
        size = len(first)
        observed, trials, expected = (
            np.bincount(owner, values, minlength=size)
            for values in (self._x[pairs], self._trials[pairs], self._trials[pairs] * share)
        )
        excess = observed - expected
        confirming = int(((excess > 0) & (observed >= 2)).sum())
        top = int(np.argmax(excess))
        total = float(trials.sum() - trials[top])
        return Evidence(
            confirming,
            str(names.iloc[first[top]]),
            (
                float(observed.sum() - observed[top]),
                total,
                float((expected.sum() - expected[top]) / total) if total > 0 else 1.0,
            ),
        )
