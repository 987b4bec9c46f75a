"""Losses from the geometry of a splice: core offset, core tilt and unequal mode fields.

The losses are those of Gaussian modes (Marcuse 1977), from `arcdrift.simulate.work.optics`. How
much of the cleave angles remains as a tilt of the cores after fusion, and how much of the scattered
loss comes from core offset, is invented.
"""

import numpy as np

from arcdrift.arrays import Floats
from arcdrift.simulate.work.optics import mismatch_loss_db, offset_loss_db, tilt_loss_db

Values = Floats | float

OFFSET_SHARE = 0.4
"""Share of the scattered loss of a splice that comes from core offset."""
TILT_SHARE = 0.1
"""Share of the angle between two cleaved ends that remains as a tilt of the cores."""


def draw_tilt(left_deg: Floats, right_deg: Floats, rng: np.random.Generator) -> Floats:
    """Draw the tilt of the cores in degrees from two cleave angles of random direction."""
    cos_direction = np.cos(rng.uniform(0.0, 2.0 * np.pi, len(left_deg)))
    angle_between = np.sqrt(left_deg**2 + right_deg**2 - 2.0 * left_deg * right_deg * cos_direction)
    return np.asarray(TILT_SHARE * angle_between)


def field_and_tilt_loss_db(radius_a_um: Values, radius_b_um: Values, tilt_deg: Values) -> Floats:
    """Return the loss from unequal mode fields and tilt, dB."""
    return mismatch_loss_db(radius_a_um, radius_b_um) + tilt_loss_db(
        radius_a_um, radius_b_um, tilt_deg
    )


def mean_field_and_tilt_loss_db(
    radius_a_um: Values, radius_b_um: Values, median_deg: Values, log_sd: Values
) -> Floats:
    """Return the mean of `field_and_tilt_loss_db` over lognormal cleave angles of both sides, dB.

    The loss is quadratic in small tilts. The mean square of the angle between two ends of
    random direction is the sum of their mean squares, each median^2 exp(2 sd^2).
    """
    mean_square = 2.0 * np.asarray(median_deg) ** 2 * np.exp(2.0 * np.asarray(log_sd) ** 2)
    return field_and_tilt_loss_db(radius_a_um, radius_b_um, TILT_SHARE * np.sqrt(mean_square))


def core_offset_um(radius_a_um: Values, radius_b_um: Values, loss_db: Floats) -> Floats:
    """Return the core offset in um that causes a loss: the inverse of `offset_loss_db`."""
    return np.asarray(np.sqrt(loss_db / offset_loss_db(radius_a_um, radius_b_um, 1.0)))
