"""Moist air in two ways: as the package has it, and by plain formulas of the simulator's own.

The second is independent of `arcdrift.air` and quick, since nothing in it goes value by value.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from arcdrift.air.moist_air import air_density, saturation_vapor_pressure, vapor_pressure
from arcdrift.arrays import Floats

_DRY, _VAPOR = 287.05, 461.5
"""Specific gas constants, J/(kg K) (from memory; ISO 2533 rounds the first the same)."""


@dataclass(frozen=True)
class MoistAir:
    """Functions of arrays: degrees Celsius, hPa and % in; hPa or kg/m3 out."""

    saturated: Callable[[Floats], Floats]
    vapor: Callable[[Floats, Floats], Floats]
    density: Callable[[Floats, Floats, Floats], Floats]


def _saturated(t: Floats) -> Floats:
    """Over water: 6.112 exp(17.62 t / (243.12 + t)), WMO-No. 8, part I, annex 4.B."""
    return np.asarray(6.112 * np.exp(17.62 * t / (243.12 + t)))


def _vapor(t: Floats, rh: Floats) -> Floats:
    return _saturated(t) * rh / 100.0


def _density(t: Floats, p: Floats, rh: Floats) -> Floats:
    """Dalton: dry air and vapor, each an ideal gas."""
    e = _vapor(t, rh)
    return np.asarray(100.0 * ((p - e) / _DRY + e / _VAPOR) / (t + 273.15))


MOIST_AIR = MoistAir(saturation_vapor_pressure, vapor_pressure, air_density)
IDEAL_GAS = MoistAir(_saturated, _vapor, _density)
