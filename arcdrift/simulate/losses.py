"""Cleaves, losses and outcomes of splices.

Losses follow the loss study: a gamma distribution about a stream mean of 0.02 to 0.05 dB, a
lognormal day effect, a slight memory from splice to splice and from day to day, 0.5 to 2 %
dirty splices log-uniform from 0.2 to 1 dB, rounding to 0.01 dB. What the arc and the cleave
add to the mean is invented.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter
from scipy.special import gammaincinv, ndtr

Floats = npt.NDArray[np.float64]

DAY_SD = 0.10
DAY_LAG = 0.1
SPLICE_LAG = 0.1
DIRTY_SHARE = 0.012
MISMATCH_DB = 8e-5
"""dB per squared unit of setting error (scale 1) on a fixed program."""
MISMATCH_SHARE = {"fixed": 1.0, "custom": 0.5, "self-adjusting": 0.1, "unknown": 1.0}
"""A self-adjusting program makes up for most of a wrong setting, never for all of it."""
BLADE_WEAR = 0.25
"""Log rise of the cleave angle per 1,000 cleaves on a blade position."""
OFFSET_SHARE = 0.4
"""Share of a splice's loss that comes from core offset."""


@dataclass(frozen=True)
class Conditions:
    """What each splice was made under; one entry a splice."""

    mean_db: Floats
    """Stream mean times the factors of splicer, technician and faults."""
    shape: Floats
    day: npt.NDArray[np.int64]
    """Number of the stream-day, in time order."""
    mismatch: Floats
    """Setting error in units of a model of scale 1."""
    mismatch_share: Floats
    dirty_factor: Floats
    cleave_median_deg: Floats
    cleave_log_sd: Floats


@dataclass(frozen=True)
class Made:
    """What came out; one entry a splice."""

    loss_db: Floats
    cleave_left_deg: Floats
    cleave_right_deg: Floats
    core_offset_um: Floats
    outcome: npt.NDArray[np.object_]


def make_splices(conditions: Conditions, rng: np.random.Generator, radius_um: float = 4.6) -> Made:
    """Draw cleaves, losses and outcomes.

    Parameters
    ----------
    conditions : Conditions
        Entries in time order within a stream.
    rng : Generator
        Random numbers of one splicer.
    radius_um : float
        Mode-field radius from which core offsets are told (``4.343 (d / w)^2`` dB).

    Returns
    -------
    Made
        Rounded as a splicer shows it. Loss is NaN where the outcome is ``error``; the splice
        after a ``redo`` or an ``error`` is made again at the same place.
    """
    n = len(conditions.mean_db)
    left, right = (
        np.clip(
            conditions.cleave_median_deg * np.exp(conditions.cleave_log_sd * rng.normal(size=n)),
            0.1,
            12.0,
        )
        for _ in range(2)
    )
    worse = np.maximum(left, right)
    mean = conditions.mean_db * (1.0 + 0.03 * np.maximum(worse - 1.5, 0.0) ** 2)
    mean *= _day_effect(conditions.day, rng)
    rank = ndtr(_remembering(rng, n, SPLICE_LAG))
    loss = mean * gammaincinv(conditions.shape, rank) / conditions.shape
    loss += MISMATCH_DB * conditions.mismatch_share * conditions.mismatch**2
    dirty = rng.random(n) < DIRTY_SHARE * conditions.dirty_factor
    loss = np.where(dirty, np.maximum(loss, 10.0 ** rng.uniform(np.log10(0.2), 0.0, n)), loss)
    offset = radius_um * np.sqrt(OFFSET_SHARE * loss / 4.343) * rng.uniform(0.7, 1.2, n)

    outcome = np.full(n, "done", object)
    outcome[((loss > 0.20) | (worse > 6.0)) & (rng.random(n) < 0.75)] = "redo"
    failed = rng.random(n) < 0.003
    outcome[failed] = "error"
    return Made(
        np.where(failed, np.nan, np.round(loss, 2)),
        np.round(left, 1),
        np.round(right, 1),
        np.where(failed, np.nan, np.round(offset, 1)),
        outcome,
    )


def _day_effect(day: npt.NDArray[np.int64], rng: np.random.Generator) -> Floats:
    """Lognormal factor of mean 1 for each stream-day, spread over its splices."""
    days = int(day.max(initial=-1)) + 1
    effect = np.exp(DAY_SD * _remembering(rng, days, DAY_LAG) - DAY_SD**2 / 2)
    return np.asarray(effect[day])


def _remembering(rng: np.random.Generator, n: int, lag: float) -> Floats:
    """Standard normal values whose lag-1 correlation is `lag`."""
    shocks = rng.normal(size=n)
    shocks[1:] *= np.sqrt(1.0 - lag**2)
    return np.asarray(lfilter([1.0], [1.0, -lag], shocks))
