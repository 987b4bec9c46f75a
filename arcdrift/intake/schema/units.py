"""Conversion of the units in files to those of our columns, with pint.

pint and its table of units take long to load, so they are loaded when a unit needs them.
"""

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from arcdrift.arrays import Floats
from arcdrift.quantities import QUANTITIES

if TYPE_CHECKING:
    import pint

_DIGITS = 9
"""Decimals that a conversion keeps; the others are rounding noise."""
_MILS = ("mil", "mils")
_LENGTHS = ("micrometer", "millimeter")
_FITTING = {"degC": ("degF", "kelvin"), "hPa": ("inHg", "mmHg", "kPa", "psi", "mbar")}
"""Units of the weather that fit ours, as pint says; they need not be looked up."""


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
    converted = units().Quantity(values, _length_unit(unit, ours)).to(ours).magnitude
    return np.asarray(np.round(converted, _DIGITS), dtype=np.float64)


@cache
def units() -> "pint.UnitRegistry[Any]":
    """Return the registry of units, made at the first call."""
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry()
    registry.define("fraction = 1")
    return registry


def check_unit(column: str, unit: str) -> None:
    """Refuse a unit that does not fit the quantity of a column.

    Raises
    ------
    ValueError
        With the reason.
    """
    quantity = QUANTITIES.get(column)
    if quantity is None:
        raise ValueError(f"{column} is not a number and takes no unit")
    ours = quantity.unit
    if unit == ours or unit in _FITTING.get(ours, ()):
        return
    if unit in _MILS and ours == "degree":
        raise ValueError(
            f"the unit {unit!r} of {column} stands for several angles; use mrad or degree"
        )
    import pint

    try:
        # text, because a bare product of an offset unit (25 degC) has no meaning
        theirs = units().Unit(_length_unit(unit, ours))
        # the base as well, because an angle and a percentage both count as dimensionless
        fits = ours not in ("", "dB", "count") and _base(theirs) == _base(units().Unit(ours))
        if fits:
            # a temperature difference fails only here; a decibel is no share, though a number
            zero = units().Quantity(0.0, theirs).to(ours).magnitude
            fits = ours == "degC" or zero == 0
    except pint.DimensionalityError:
        fits = False
    except Exception:  # text that is no unit makes pint's parser fail in many ways
        raise ValueError(f"the unit {unit!r} of {column} is not known") from None
    if not fits:
        raise ValueError(f"the unit {unit!r} cannot measure {column}")


def _base(unit: Any) -> Any:
    return units().get_base_units(unit)[1]


def _length_unit(unit: str, ours: str) -> str:
    """Unit in pint's spelling: a mil of length is its thou, as its own mil is an angle."""
    return "thou" if unit in _MILS and ours in _LENGTHS else unit
