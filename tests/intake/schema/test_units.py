"""Units: conversions against published factors, and back again."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arcdrift.intake.schema import units as units_module
from arcdrift.intake.schema.units import check_unit, to_stored, units
from arcdrift.quantities import QUANTITIES

# NIST Special Publication 811 (2008), appendix B.8, factors to SI units:
# conventional inch of mercury 3.386 389 E+03 Pa, conventional millimeter of mercury
# 1.333 224 E+02 Pa, torr 1.333 224 E+02 Pa, standard atmosphere 1.013 25 E+05 Pa,
# bar 1.0 E+05 Pa, psi 6.894 757 E+03 Pa, mil (0.001 in) 2.54 E-05 m, inch 2.54 E-02 m,
# degree (angle) 1.745 329 E-02 rad, gon 1.570 796 E-02 rad, minute (angle) 2.908 882 E-04 rad
FACTORS = [
    ("inHg", "pressure_hpa", 33.86389),
    ("mmHg", "pressure_hpa", 1.333224),
    ("torr", "pressure_hpa", 1.333224),
    ("atm", "pressure_hpa", 1013.25),
    ("bar", "pressure_hpa", 1000.0),
    ("mbar", "pressure_hpa", 1.0),
    ("kPa", "pressure_hpa", 10.0),
    ("psi", "pressure_hpa", 68.94757),
    ("mil", "core_offset_um", 25.4),
    ("mils", "melt_back_um", 25.4),
    ("mil", "sleeve_mm", 0.0254),
    ("inch", "sleeve_mm", 25.4),
    ("mrad", "cleave_left_deg", 1e-3 / 1.745329e-2),
    ("gon", "cleave_left_deg", 1.570796e-2 / 1.745329e-2),
    ("arcmin", "cleave_right_deg", 2.908882e-4 / 1.745329e-2),
]


@pytest.mark.parametrize(("unit", "column", "factor"), FACTORS)
def test_published_factors(unit, column, factor):
    check_unit(column, unit)
    got = to_stored(np.array([1.0, 30.0]), unit, column)
    # the factors are published with seven digits
    assert got == pytest.approx([factor, 30 * factor], rel=1e-6)


@pytest.mark.parametrize(
    ("unit", "given_value", "celsius"),
    [
        # NIST SP 811, B.8: t/degC = (t/degF - 32)/1.8 and t/degC = T/K - 273.15
        ("degF", 32.0, 0.0),
        ("degF", 212.0, 100.0),
        ("degF", 71.6, 22.0),
        ("degF", -40.0, -40.0),
        ("kelvin", 293.15, 20.0),
        ("degR", 491.67, 0.0),
    ],
)
def test_temperatures(unit, given_value, celsius):
    check_unit("temperature_c", unit)
    assert to_stored(np.array([given_value]), unit, "temperature_c")[0] == pytest.approx(
        celsius, abs=1e-9
    )


UNITS = [(unit, column) for unit, column, _ in FACTORS] + [
    ("degF", "temperature_c"),
    ("kelvin", "temperature_c"),
    ("fraction", "humidity_pct"),
    ("%", "humidity_pct"),
    ("nm", "core_offset_um"),
]


@given(st.sampled_from(UNITS), st.floats(0, 1))
def test_there_and_back(pair, share):
    unit, column = pair
    quantity = QUANTITIES[column]
    ours = quantity.low + share * (quantity.high - quantity.low)
    plain = "thou" if unit.startswith("mil") else unit
    theirs = units().Quantity(ours, quantity.unit).to(plain).magnitude
    got = to_stored(np.array([theirs, np.nan]), unit, column)
    assert got[0] == pytest.approx(ours, rel=1e-9, abs=2e-9)
    assert np.isnan(got[1])


@pytest.mark.parametrize(
    ("unit", "column", "reason"),
    [
        ("%", "cleave_left_deg", "the unit '%' cannot measure cleave_left_deg"),
        ("degree", "humidity_pct", "the unit 'degree' cannot measure humidity_pct"),
        ("F", "temperature_c", "the unit 'F' cannot measure temperature_c"),
        ("delta_degF", "temperature_c", "the unit 'delta_degF' cannot measure temperature_c"),
        ("percent", "arc_count", "the unit 'percent' cannot measure arc_count"),
        ("mA", "arc_setting", "the unit 'mA' cannot measure arc_setting"),
        ("dB", "humidity_pct", "the unit 'dB' cannot measure humidity_pct"),
        ("dBm", "loss_db", "the unit 'dBm' cannot measure loss_db"),
        (
            "mil",
            "cleave_left_deg",
            "the unit 'mil' of cleave_left_deg stands for several angles; use mrad or degree",
        ),
        ("hPa +", "pressure_hpa", "the unit 'hPa +' of pressure_hpa is not known"),
        ("hPa", "remark", "remark is not a number and takes no unit"),
    ],
)
def test_units_that_cannot_measure_are_refused(unit, column, reason):
    with pytest.raises(ValueError, match="unit") as caught:
        check_unit(column, unit)
    assert str(caught.value) == reason


def test_units_that_are_not_looked_up_fit_as_pint_says(monkeypatch):
    known = [(ours, unit) for ours, fitting in units_module._FITTING.items() for unit in fitting]
    monkeypatch.setattr(units_module, "_FITTING", {})
    columns = {quantity.unit: column for column, quantity in QUANTITIES.items()}
    for ours, unit in known:
        check_unit(columns[ours], unit)
