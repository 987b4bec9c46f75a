"""Cleaves, losses and outcomes of splices.

Losses follow the loss study: a gamma distribution about a stream mean of 0.02 to 0.05 dB, a
lognormal day effect, a slight memory from splice to splice and from day to day, 0.5 to 2 %
dirty splices log-uniform from 0.2 to 1 dB, rounding to 0.01 dB. What the arc and the cleave
add to the mean is invented, but for the geometry, see `arcdrift.simulate.work.geometry`.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter
from scipy.special import gammaincinv, ndtr

from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.crew.loss_law import LossLaw
from arcdrift.simulate.work.geometry import OFFSET_SHARE, core_offset_um, tilt_of, uneven_loss_db

MISMATCH_DB = 8e-5
"""dB per squared unit of setting error (scale 1) on a fixed program."""
MISMATCH_SHARE = {"fixed": 1.0, "custom": 0.5, "self-adjusting": 0.1, "unknown": 1.0}
"""A self-adjusting program makes up for most of a wrong setting, never for all of it."""
BLADE_WEAR = 0.25
"""Log rise of the cleave angle per 1,000 cleaves on a blade position."""


@dataclass(frozen=True)
class Conditions:
    """What each splice was made under; one entry a splice."""

    mean_db: Floats
    """Stream mean times the factors of splicer, technician and faults."""
    shape: Floats
    day: Ints
    """Number of the stream-day, in time order."""
    mismatch: Floats
    """Setting error in units of a model of scale 1."""
    mismatch_share: Floats
    dirty_factor: Floats
    """Times the share of dirty splices."""
    cleave_median_deg: Floats
    cleave_log_sd: Floats
    left_factor: Floats | float = 1.0
    right_factor: Floats | float = 1.0
    """What bent holders do to the angles of their side."""
    day_sd: Floats | float = 0.10
    dirty_share: Floats | float = 0.012
    crew_day: Floats | float = 1.0
    """Factor of the day effect that the crew shares."""
    raised: Floats | float = 1.0
    """Factor of faults, already in the mean, on what geometry costs."""
    radius_a_um: Floats | float = 4.6
    radius_b_um: Floats | float = 4.6


@dataclass(frozen=True)
class Made:
    """What came out; one entry a splice."""

    loss_db: Floats
    cleave_left_deg: Floats
    cleave_right_deg: Floats
    core_offset_um: Floats
    outcome: npt.NDArray[np.object_]


def make_splices(
    conditions: Conditions,
    rng: np.random.Generator,
    *,
    law: LossLaw | None = None,
    azimuth: np.random.Generator | None = None,
) -> Made:
    """Draw cleaves, losses and outcomes.

    Parameters
    ----------
    conditions : Conditions
        Entries in time order within a stream.
    rng : Generator
        Random numbers of one splicer.
    law : LossLaw, optional
        Correlations, and whether geometry counts.
    azimuth : Generator, optional
        Random directions of cleave angles, for the geometry.

    Returns
    -------
    Made
        Rounded as a splicer shows it. Loss is NaN where the outcome is ``error``; the splice
        after a ``redo`` or an ``error`` is made again at the same place.
    """
    law = law or LossLaw()
    n = len(conditions.mean_db)
    left, right = (
        np.clip(
            side
            * conditions.cleave_median_deg
            * np.exp(conditions.cleave_log_sd * rng.normal(size=n)),
            0.1,
            12.0,
        )
        for side in (conditions.left_factor, conditions.right_factor)
    )
    worse = np.maximum(left, right)
    mean, added = conditions.mean_db, np.zeros(n)
    if azimuth is None:
        mean = mean * (1.0 + 0.03 * np.maximum(worse - 1.5, 0.0) ** 2)
    else:
        tilt = tilt_of(left, right, azimuth)
        added = uneven_loss_db(conditions.radius_a_um, conditions.radius_b_um, tilt)
        added = added * conditions.raised
    mean = mean * _day_effect(conditions.day, conditions.day_sd, law.day_lag, rng)
    mean = mean * conditions.crew_day
    rank = ndtr(remembering(rng, n, law.splice_lag))
    scattered = mean * gammaincinv(conditions.shape, rank) / conditions.shape
    loss = scattered + added
    loss += MISMATCH_DB * conditions.mismatch_share * conditions.mismatch**2
    dirty = rng.random(n) < conditions.dirty_share * conditions.dirty_factor
    loss = np.where(dirty, np.maximum(loss, 10.0 ** rng.uniform(np.log10(0.2), 0.0, n)), loss)
    seen = rng.uniform(0.7, 1.2, n)
    if azimuth is None:
        offset = 4.6 * np.sqrt(OFFSET_SHARE * loss / 4.343) * seen
    else:
        offset = seen * core_offset_um(
            conditions.radius_a_um, conditions.radius_b_um, OFFSET_SHARE * scattered
        )

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


def day_factors(sd: float, lag: float, days: int, rng: np.random.Generator) -> Floats:
    """Lognormal factors of mean 1, one a day."""
    return np.asarray(np.exp(sd * remembering(rng, days, lag) - sd**2 / 2))


def remembering(rng: np.random.Generator, n: int, lag: float) -> Floats:
    """Standard normal values whose lag-1 correlation is `lag`."""
    shocks = rng.normal(size=n)
    shocks[1:] *= np.sqrt(1.0 - lag**2)
    return np.asarray(lfilter([1.0], [1.0, -lag], shocks))


def _day_effect(day: Ints, sd: Floats | float, lag: float, rng: np.random.Generator) -> Floats:
    """Lognormal factor of mean 1 for each stream-day, spread over its splices."""
    days = int(day.max(initial=-1)) + 1
    of_day = np.zeros(days)
    of_day[day] = sd
    effect = np.exp(of_day * remembering(rng, days, lag) - of_day**2 / 2)
    return np.asarray(effect[day])
