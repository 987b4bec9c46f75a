"""Units in files to those of our columns, through pint."""

from functools import cache
from typing import Any

import numpy as np
import pint

from arcdrift.arrays import Floats
from arcdrift.quantities import QUANTITIES

_DIGITS = 9
"""Decimals kept by a conversion; further ones are noise of the arithmetic."""
_MILS = ("mil", "mils")
_LENGTHS = ("micrometer", "millimeter")


def to_stored(values: Floats, unit: str, column: str) -> Floats:
    """Convert numbers from a unit to that of one of our columns.

    Parameters
    ----------
    values : array of float
        Numbers in `unit`; NaN stays NaN.
    unit : str
        As pint understands it; ``degF``, ``inHg``, ``mmHg``, ``kPa``, ``psi``, ``mrad``, ``mil``
        (of length), ``%`` and ``fraction`` are met in practice.
    column : str
        A column of `arcdrift.quantities`.

    Returns
    -------
    array of float
        Rounded to 9 decimals.
    """
    ours = QUANTITIES[column].unit
    if unit == ours:
        return values
    converted = units().Quantity(values, _of_length(unit, ours)).to(ours).magnitude
    return np.asarray(np.round(converted, _DIGITS), dtype=np.float64)


@cache
def units() -> "pint.UnitRegistry[Any]":
    """Return the one registry of units, made when first asked for."""
    registry: pint.UnitRegistry[Any] = pint.UnitRegistry()
    registry.define("fraction = 1")
    return registry


def check_unit(column: str, unit: str) -> None:
    """Refuse a unit that cannot measure what a column holds.

    Raises
    ------
    ValueError
        With the reason.
    """
    quantity = QUANTITIES.get(column)
    if quantity is None:
        raise ValueError(f"{column} is not a number and takes no unit")
    ours = quantity.unit
    if unit == ours:
        return
    if unit in _MILS and ours == "degree":
        raise ValueError(
            f"the unit {unit!r} of {column} stands for several angles; use mrad or degree"
        )
    try:
        # text, because a bare product of an offset unit (25 degC) has no meaning
        theirs = units().Unit(_of_length(unit, ours))
        # the base as well, because an angle and a percentage both count as dimensionless
        fits = ours not in ("", "dB", "count") and _base(theirs) == _base(units().Unit(ours))
        if fits:
            # a temperature difference fails only here; a decibel is no share, though a number
            nothing = units().Quantity(0.0, theirs).to(ours).magnitude
            fits = ours == "degC" or nothing == 0
    except pint.DimensionalityError:
        fits = False
    except Exception:  # text that is no unit makes pint's parser fail in many ways
        raise ValueError(f"the unit {unit!r} of {column} is not known") from None
    if not fits:
        raise ValueError(f"the unit {unit!r} cannot measure {column}")


def _base(unit: Any) -> Any:
    return units().get_base_units(unit)[1]


def _of_length(unit: str, ours: str) -> str:
    """Take a mil of length, a thousandth of an inch, for what it is; pint's mil is an angle."""
    return "thou" if unit in _MILS and ours in _LENGTHS else unit
