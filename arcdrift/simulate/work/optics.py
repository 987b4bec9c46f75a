"""The Gaussian-mode model: loss of a splice of two single-mode fibers from its geometry alone.

Each mode is a Gaussian spot of 1/e field radius ``w``, half the mode-field diameter. The
coupling of two such spots has a closed form (Marcuse 1977, "Loss analysis of single-mode fiber
splices", Bell System Technical Journal 56, 703-718), and in it unequal spots, offset and tilt
multiply, so their losses in dB add.
"""

import math

import numpy as np
import numpy.typing as npt

from arcdrift.arrays import Floats
from arcdrift.errors import BadInput

Values = float | npt.ArrayLike

_NEPER_DB = 10.0 * math.log10(math.e)


def mismatch_loss_db(radius_a_um: Values, radius_b_um: Values) -> Floats:
    """Return the loss from unequal mode fields, -20 log10(2 wa wb / (wa^2 + wb^2)).

    Parameters
    ----------
    radius_a_um, radius_b_um : array_like
        Mode-field radii, micrometers; they broadcast.

    Returns
    -------
    ndarray of float
        dB; 0 for equal fields.

    Raises
    ------
    BadInput
        When a radius is not positive.
    """
    a, b = _radii(radius_a_um, radius_b_um)
    return -20.0 * np.log10(2.0 * a * b / (a**2 + b**2)) + 0.0


def offset_loss_db(radius_a_um: Values, radius_b_um: Values, offset_um: Values) -> Floats:
    """Return the loss from a lateral offset of the cores, 10 log10(e) 2 d^2 / (wa^2 + wb^2).

    For equal fibers this is 4.343 (d / w)^2 dB.

    Parameters
    ----------
    radius_a_um, radius_b_um : array_like
        Mode-field radii, micrometers.
    offset_um : array_like
        Distance between the core axes at the splice, micrometers.

    Returns
    -------
    ndarray of float
        dB.
    """
    a, b = _radii(radius_a_um, radius_b_um)
    offset = np.asarray(offset_um, dtype=np.float64)
    return _NEPER_DB * 2.0 * offset**2 / (a**2 + b**2)


def tilt_loss_db(
    radius_a_um: Values,
    radius_b_um: Values,
    tilt_deg: Values,
    *,
    wavelength_um: Values = 1.31,
    index: Values = 1.46,
) -> Floats:
    """Return the loss from an angle between the cores.

    10 log10(e) 2 (pi n wa wb sin(tilt) / lambda)^2 / (wa^2 + wb^2).

    Parameters
    ----------
    radius_a_um, radius_b_um : array_like
        Mode-field radii, micrometers.
    tilt_deg : array_like
        Angle between the core axes, degrees.
    wavelength_um : array_like
        Wavelength in vacuum, micrometers.
    index : array_like
        Refractive index of the glass.

    Returns
    -------
    ndarray of float
        dB.
    """
    a, b = _radii(radius_a_um, radius_b_um)
    sine = np.sin(np.radians(np.asarray(tilt_deg, dtype=np.float64)))
    wavenumber: Floats = np.pi * np.asarray(index, float) / np.asarray(wavelength_um, float)
    return _NEPER_DB * 2.0 * (wavenumber * a * b * sine) ** 2 / (a**2 + b**2)


def _radii(radius_a_um: Values, radius_b_um: Values) -> tuple[Floats, Floats]:
    a = np.asarray(radius_a_um, dtype=np.float64)
    b = np.asarray(radius_b_um, dtype=np.float64)
    if (a <= 0).any() or (b <= 0).any():
        raise BadInput("A mode-field radius must be greater than 0 um.")
    return a, b
