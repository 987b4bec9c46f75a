"""What the geometry of a splice costs: cores aside, tilted, or of unequal fields.

Losses are those of Gaussian modes (Marcuse 1977) by `arcdrift.simulate.work.optics`. How much of
a cleave angle stays as a tilt of the cores once the glass has run together, and how much of a
splice's scatter comes from core offset, is invented.
"""

import numpy as np

from arcdrift.arrays import Floats
from arcdrift.simulate.work.optics import mismatch_loss_db, offset_loss_db, tilt_loss_db

Values = Floats | float

OFFSET_SHARE = 0.4
"""Share of a splice's scattered loss that comes from core offset."""
TILT_SHARE = 0.1
"""Share of the angle between two cleaved ends that stays as a tilt of the cores."""


def tilt_of(left_deg: Floats, right_deg: Floats, rng: np.random.Generator) -> Floats:
    """Tilt left between the cores by two cleave angles of random direction, degrees."""
    turn = np.cos(rng.uniform(0.0, 2.0 * np.pi, len(left_deg)))
    between = np.sqrt(left_deg**2 + right_deg**2 - 2.0 * left_deg * right_deg * turn)
    return np.asarray(TILT_SHARE * between)


def uneven_loss_db(radius_a_um: Values, radius_b_um: Values, tilt_deg: Values) -> Floats:
    """Loss from unequal fields and tilt, dB."""
    return mismatch_loss_db(radius_a_um, radius_b_um) + tilt_loss_db(
        radius_a_um, radius_b_um, tilt_deg
    )


def mean_uneven_loss_db(
    radius_a_um: Values, radius_b_um: Values, median_deg: Values, log_sd: Values
) -> Floats:
    """Mean of `uneven_loss_db` over lognormal cleave angles of both sides, dB.

    The loss is quadratic in small tilts and the mean square of the angle between two ends of
    random direction is the sum of their mean squares, each median^2 exp(2 sd^2).
    """
    square = 2.0 * np.asarray(median_deg) ** 2 * np.exp(2.0 * np.asarray(log_sd) ** 2)
    return uneven_loss_db(radius_a_um, radius_b_um, TILT_SHARE * np.sqrt(square))


def core_offset_um(radius_a_um: Values, radius_b_um: Values, loss_db: Floats) -> Floats:
    """Offset of the cores that costs so much: the inverse of `offset_loss_db`, um."""
    return np.asarray(np.sqrt(loss_db / offset_loss_db(radius_a_um, radius_b_um, 1.0)))
