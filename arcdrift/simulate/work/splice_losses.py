"""Drawing cleave angles, losses and outcomes of splices.

Losses follow the loss study: a gamma distribution with a stream mean of 0.02 to 0.05 dB, a
lognormal day effect, slight correlation from splice to splice and from day to day, 0.5 to 2 %
dirty splices log-uniform from 0.2 to 1 dB, rounding to 0.01 dB. What a wrong arc setting and the
cleave angles add to the mean is invented, except for `arcdrift.simulate.work.geometry`.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter
from scipy.special import gammaincinv, ndtr

from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.crew.loss_law import LossLaw
from arcdrift.simulate.work.geometry import (
    OFFSET_SHARE,
    core_offset_um,
    draw_tilt,
    field_and_tilt_loss_db,
)

MISMATCH_DB = 8e-5
"""dB per squared unit of setting error (scale 1) on a fixed program."""
MISMATCH_SHARE = {"fixed": 1.0, "custom": 0.5, "self-adjusting": 0.1, "unknown": 1.0}
"""Share of that loss by program class: a self-adjusting program corrects most of the error."""
BLADE_WEAR = 0.25
"""Rise of the logarithm of the cleave angle per 1,000 cleaves on a blade position."""


@dataclass(frozen=True)
class SpliceInputs:
    """The parameters from which splices are drawn; one entry per splice."""

    mean_db: Floats
    """Mean of the stream, times the factors of splicer, technician and faults."""
    shape: Floats
    day: Ints
    """Index of the day within all days of all streams, in time order."""
    mismatch: Floats
    """Setting error in units of a model of scale 1."""
    mismatch_share: Floats
    dirty_factor: Floats
    """Factor on the share of dirty splices."""
    cleave_median_deg: Floats
    cleave_log_sd: Floats
    left_factor: Floats | float = 1.0
    right_factor: Floats | float = 1.0
    """Factors on the cleave angles of each side, from bent holders."""
    day_sd: Floats | float = 0.10
    dirty_share: Floats | float = 0.012
    crew_day: Floats | float = 1.0
    """Factor of the day effect that all streams share."""
    raised: Floats | float = 1.0
    """Factor of faults on the loss from geometry; `mean_db` includes it already."""
    radius_a_um: Floats | float = 4.6
    radius_b_um: Floats | float = 4.6


@dataclass(frozen=True)
class SpliceResults:
    """The drawn splices; one entry per splice."""

    loss_db: Floats
    cleave_left_deg: Floats
    cleave_right_deg: Floats
    core_offset_um: Floats
    outcome: npt.NDArray[np.object_]
    error_reason: npt.NDArray[np.object_]
    """None where there is none, as before `arcdrift.simulate.work.splice_errors.draw_errors`."""


def draw_splices(
    inputs: SpliceInputs,
    rng: np.random.Generator,
    *,
    law: LossLaw | None = None,
    azimuth: np.random.Generator | None = None,
) -> SpliceResults:
    """Draw cleave angles, losses and outcomes of splices.

    Parameters
    ----------
    inputs : SpliceInputs
        Entries in time order within each stream.
    rng : Generator
        Random numbers of one splicer.
    law : LossLaw, optional
        Gives the correlations.
    azimuth : Generator, optional
        Draws the directions of cleave angles; without it geometry adds no loss.

    Returns
    -------
    SpliceResults
        Rounded as a splicer shows them. Loss is NaN where the outcome is ``error``.
    """
    law = law or LossLaw()
    n = len(inputs.mean_db)
    left, right = (
        np.clip(
            side_factor
            * inputs.cleave_median_deg
            * np.exp(inputs.cleave_log_sd * rng.normal(size=n)),
            0.1,
            12.0,
        )
        for side_factor in (inputs.left_factor, inputs.right_factor)
    )
    larger_angle = np.maximum(left, right)
    mean, geometry_loss = inputs.mean_db, np.zeros(n)
    if azimuth is None:
        mean = mean * (1.0 + 0.03 * np.maximum(larger_angle - 1.5, 0.0) ** 2)
    else:
        tilt = draw_tilt(left, right, azimuth)
        geometry_loss = field_and_tilt_loss_db(inputs.radius_a_um, inputs.radius_b_um, tilt)
        geometry_loss = geometry_loss * inputs.raised
    mean = mean * _day_effect(inputs.day, inputs.day_sd, law.day_lag, rng)
    mean = mean * inputs.crew_day
    probability = ndtr(autocorrelated_normals(rng, n, law.splice_lag))
    scattered = mean * gammaincinv(inputs.shape, probability) / inputs.shape
    loss = scattered + geometry_loss
    loss += MISMATCH_DB * inputs.mismatch_share * inputs.mismatch**2
    dirty = rng.random(n) < inputs.dirty_share * inputs.dirty_factor
    loss = np.where(dirty, np.maximum(loss, 10.0 ** rng.uniform(np.log10(0.2), 0.0, n)), loss)
    offset_visibility = rng.uniform(0.7, 1.2, n)
    if azimuth is None:
        offset = 4.6 * np.sqrt(OFFSET_SHARE * loss / 4.343) * offset_visibility
    else:
        offset = offset_visibility * core_offset_um(
            inputs.radius_a_um, inputs.radius_b_um, OFFSET_SHARE * scattered
        )

    outcome = np.full(n, "done", object)
    outcome[((loss > 0.20) | (larger_angle > 6.0)) & (rng.random(n) < 0.75)] = "redo"
    failed = rng.random(n) < 0.003
    outcome[failed] = "error"
    return SpliceResults(
        np.where(failed, np.nan, np.round(loss, 2)),
        np.round(left, 1),
        np.round(right, 1),
        np.where(failed, np.nan, np.round(offset, 1)),
        outcome,
        np.full(n, None, object),
    )


def day_factors(sd: float, lag: float, days: int, rng: np.random.Generator) -> Floats:
    """Draw lognormal factors of mean 1, one per day."""
    return np.asarray(np.exp(sd * autocorrelated_normals(rng, days, lag) - sd**2 / 2))


def autocorrelated_normals(rng: np.random.Generator, n: int, lag: float) -> Floats:
    """Draw standard normal values whose lag-1 correlation is `lag`."""
    shocks = rng.normal(size=n)
    shocks[1:] *= np.sqrt(1.0 - lag**2)
    return np.asarray(lfilter([1.0], [1.0, -lag], shocks))


def _day_effect(day: Ints, sd: Floats | float, lag: float, rng: np.random.Generator) -> Floats:
    """Draw a lognormal factor of mean 1 for each day; return it for each splice."""
    days = int(day.max(initial=-1)) + 1
    sd_by_day = np.zeros(days)
    sd_by_day[day] = sd
    effect = np.exp(sd_by_day * autocorrelated_normals(rng, days, lag) - sd_by_day**2 / 2)
    return np.asarray(effect[day])
