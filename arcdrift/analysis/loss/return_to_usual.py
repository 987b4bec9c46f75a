"""The day from which a stream whose loss had risen lost as usual again."""

import numpy as np
import pandas as pd

from arcdrift.analysis.loss.day_level import relative_level
from arcdrift.arrays import Floats

BEFORE_SPAN = pd.Timedelta(days=45)
"""Days before the onset whose mean is the usual level, as for the size of the rise."""
FEWEST_BEFORE, FEWEST_AFTER = 5, 5
"""Days needed before the onset, and since the return."""
LEAST_GAIN = 6.0
"""Twice the log likelihood ratio from which a return is told: 20 to 1."""


def return_to_usual(
    days: pd.DataFrame, onset: pd.Timestamp, until: pd.Timestamp, within: float, between: float
) -> pd.Timestamp | None:
    """First day on which the loss was as before the onset again.

    Parameters
    ----------
    days : DataFrame
        Days of one stream: ``day`` (naive), ``n``, ``capped`` (dB).
    onset, until : Timestamp
        First day of the change and day of its last evidence.
    within, between : float
        Relative variance of one splice, and between the days of the stream.

    Returns
    -------
    Timestamp or None
        None where fewer than `FEWEST_AFTER` days lie behind it, or where the change may go on.

    Notes
    -----
    Maximum likelihood of the day of a step back from the level between onset and last evidence to
    that before the onset, both taken as known, on the scale of
    `arcdrift.analysis.loss.day_level.relative_level`.
    """
    days = days[days["n"] > 0].sort_values("day", ignore_index=True)
    n, capped = (days[name].to_numpy(dtype=np.float64) for name in ("n", "capped"))
    day = days["day"]
    before = ((day < onset) & (day >= onset - BEFORE_SPAN)).to_numpy()
    risen = ((day >= onset) & (day <= until)).to_numpy()
    after = np.flatnonzero((day > until).to_numpy())
    if before.sum() < FEWEST_BEFORE or not risen.any() or len(after) < FEWEST_AFTER:
        return None
    usual = capped[before].sum() / n[before].sum()
    y = relative_level(capped / n / usual)
    weight = 1.0 / (within / n + between)
    level = float(np.average(y[risen], weights=weight[risen]))
    as_risen, as_usual = (weight[after] * (y[after] - value) ** 2 for value in (level, 0.0))
    gain = _tails(as_risen - as_usual)[: len(after) - FEWEST_AFTER + 1]
    best = int(np.argmax(gain))
    return day[after[best]] if gain[best] >= LEAST_GAIN else None


def _tails(values: Floats) -> Floats:
    """Sum of each value and all that follow it."""
    return np.asarray(np.cumsum(values[::-1])[::-1], dtype=np.float64)
