"""How errors vary between days beyond chance, and how many are expected of each cell."""

import numpy as np
import pandas as pd
from scipy.special import betainc, gammainc

from arcdrift.analysis.common.grouping import group_index
from arcdrift.arrays import Floats, Ints

FACTORS = ("technician", "splicer", "cleaver", "program", "site", "holding")
ROUNDS = 8
"""Rounds of fitting; the margins then agree within a few percent."""
PRIOR_ERRORS = 2.0
"""Errors at the crew's rate that are added to each level, so that rare ones stay near it."""


def expected_errors(cells: pd.DataFrame, count: Floats) -> Floats:
    """Errors expected in each cell of its person, machines, program, site and way of holding.

    Parameters
    ----------
    cells : DataFrame
        With ``attempts``, and those of `FACTORS` that are known.
    count : array, shape (cells,)
        Errors of one group of classes.

    Notes
    -----
    A log-linear model of main effects by iterative proportional fitting (Deming and Stephan 1940),
    with `PRIOR_ERRORS` added to the counted and to the expected errors of each level.
    """
    attempts = cells["attempts"].to_numpy(dtype=np.float64)
    expected: Floats = attempts * (count.sum() / max(attempts.sum(), 1.0))
    if not count.any():
        return expected
    codes = [group_index(cells[name])[0] for name in FACTORS if name in cells.columns]
    varied = [code for code in codes if code.max() > 0]
    for _ in range(ROUNDS if varied else 0):
        for code in varied:
            factor = (np.bincount(code, count) + PRIOR_ERRORS) / (
                np.bincount(code, expected) + PRIOR_ERRORS
            )
            expected = expected * factor[code]
    return np.asarray(expected * (count.sum() / expected.sum()))


class Dispersion:
    """Variation of subjects' errors between days and weeks beyond that of independent splices.

    Parameters
    ----------
    subject : array of int, shape (cells,)
        Number of each cell's subject.
    day : Series
        Local day of each cell.
    count, expected : array, shape (cells,)
        Errors, and those expected (`expected_errors`).

    Notes
    -----
    A day's rate varies with coefficient of variation tau around the expected one, so that the
    variance of a count with mean m is m + tau^2 m^2. By moments
    tau^2 = sum((x - m)^2 - m) / sum(m^2), over all days but those of the subject in question;
    likewise for weeks, where bad days come together. A sum over days then has
    1 + tau^2 sum(m^2) / sum(m) times the variance of a Poisson count; the larger of both is used.
    """

    def __init__(self, subject: Ints, day: pd.Series, count: Floats, expected: Floats) -> None:
        number = day.to_numpy(dtype="datetime64[D]").astype(np.int64)
        self._sums = [_moments(subject, part, count, expected) for part in (number, number // 7)]

    def of_subjects(self) -> Floats:
        """Variance of each subject's errors over that of a Poisson count, at least 1."""
        parts = [
            1.0 + _without(excess, square) * square / np.maximum(mean, 1e-12)
            for excess, square, mean in self._sums
        ]
        return np.asarray(np.maximum(*parts))

    def day_tail(self, number: int, count: float, mean: float, subject_sd: float) -> float:
        """Probability of at least a count on one day, as the other days vary.

        For subjects that are days themselves. Negative binomial with the variance above and that
        of subjects.
        """
        excess, square, _ = self._sums[0]
        variance = float(_without(excess, square)[number]) + subject_sd**2
        if variance < 1e-9:
            return float(gammainc(count, mean))
        size = 1.0 / variance
        return float(betainc(count, size, mean / (size + mean)))


def _moments(
    subject: Ints, part: Ints, count: Floats, expected: Floats
) -> tuple[Floats, Floats, Floats]:
    """By subject: sum of (x - m)^2 - m, of m^2 and of m over its days (or weeks)."""
    cluster, first = group_index(subject, part)
    x, m = np.bincount(cluster, count), np.bincount(cluster, expected)
    owner = subject[first]
    excess, square, mean = (
        np.asarray(np.bincount(owner, values), dtype=np.float64)
        for values in ((x - m) ** 2 - m, m**2, m)
    )
    return excess, square, mean


def _without(excess: Floats, square: Floats) -> Floats:
    """Variance of the rate between days, of all subjects but each."""
    rest = square.sum() - square
    all_of_them = excess.sum() / max(float(square.sum()), 1e-12)
    alone = rest <= 1e-12
    ratio = np.where(alone, all_of_them, (excess.sum() - excess) / np.where(alone, 1.0, rest))
    return np.asarray(np.maximum(ratio, 0.0))
