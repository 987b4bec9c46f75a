"""Properties of moist air: by `arcdrift.air.moist_air`, or by simple formulas of the simulator.

The simulator's formulas are independent of `arcdrift.air`, and fast because they work on whole
arrays.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from arcdrift.air.moist_air import air_density, saturation_vapor_pressure, vapor_pressure
from arcdrift.arrays import Floats

_GAS_CONSTANT_DRY, _GAS_CONSTANT_VAPOR = 287.05, 461.5
"""Specific gas constants, J/(kg K) (from memory; ISO 2533 rounds the first the same)."""


@dataclass(frozen=True)
class MoistAir:
    """Functions of arrays in degrees Celsius, hPa and %; they return hPa or kg/m3.

    Attributes
    ----------
    saturation_pressure : callable
        Saturation vapor pressure over water from temperature.
    vapor_pressure : callable
        Vapor pressure from temperature and relative humidity.
    density : callable
        Air density from temperature, pressure and relative humidity.
    """

    saturation_pressure: Callable[[Floats], Floats]
    vapor_pressure: Callable[[Floats, Floats], Floats]
    density: Callable[[Floats, Floats, Floats], Floats]


def _saturation_pressure(t: Floats) -> Floats:
    """Return 6.112 exp(17.62 t / (243.12 + t)): over water, WMO-No. 8, part I, annex 4.B."""
    return np.asarray(6.112 * np.exp(17.62 * t / (243.12 + t)))


def _vapor_pressure(t: Floats, rh: Floats) -> Floats:
    return _saturation_pressure(t) * rh / 100.0


def _density(t: Floats, p: Floats, rh: Floats) -> Floats:
    """Return the density of dry air plus vapor, each an ideal gas at its partial pressure."""
    e = _vapor_pressure(t, rh)
    pressure_over_gas_constant = (p - e) / _GAS_CONSTANT_DRY + e / _GAS_CONSTANT_VAPOR
    return np.asarray(100.0 * pressure_over_gas_constant / (t + 273.15))


MOIST_AIR = MoistAir(saturation_vapor_pressure, vapor_pressure, air_density)
IDEAL_GAS = MoistAir(_saturation_pressure, _vapor_pressure, _density)
