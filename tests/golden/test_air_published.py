"""Moist air against published figures and independent libraries.

moist_air_grid.csv: 567 points computed with CoolProp 8.0.0 (ASHRAE RP-1485 real-gas model),
psychrolib 2.5.0, metpy 1.7.1 and the CIPM-2007 equation (Picard et al. 2008, Metrologia 45).
saturation_vapor_pressure.csv: IAPWS-95 (CoolProp), CIPM-2007, Goff-Gratch (WMO) and others.
isa_atmosphere.csv: ISO 2533:1975 pressures at geopotential heights, as printed (from memory)
and recomputed. dewpoint_grid.csv: dew points over water by metpy 1.7.1 (Bolton 1980), and by
psychrolib 2.5.0 and CoolProp 8.0.0, which are over ice below freezing. station_pressure_grid.csv:
psychrolib 2.5.0, metpy 1.7.1 and the hypsometric equation for dry air at the station's temperature
with the standard lapse to sea level.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.air.moist_air import (
    air_density,
    relative_humidity,
    saturation_vapor_pressure,
    sea_level_pressure,
    standard_pressure,
    station_pressure,
    station_pressure_from_qnh,
    vapor_pressure,
)

DATA = Path(__file__).parent / "data"
HPA_PER_MMHG = 1.333223874  # conventional millimeter of mercury, ISO 80000-4


@pytest.fixture(scope="module")
def grid() -> pd.DataFrame:
    return pd.read_csv(DATA / "moist_air_grid.csv")


@pytest.mark.parametrize(
    ("kelvin", "pascal"), [(300.0, 3536.58941), (275.0, 698.451167)], ids=["IF97", "IAPWS-95"]
)
def test_saturation_at_published_points(kelvin, pascal):
    # IAPWS-IF97 (R7-97) Table 35 and IAPWS-95 (R6-95) Table 8, the latter from memory
    assert saturation_vapor_pressure(kelvin - 273.15) == pytest.approx(pascal / 100, rel=5e-4)


def test_saturation_follows_the_reference_equations():
    table = pd.read_csv(DATA / "saturation_vapor_pressure.csv").query("T_C <= 60")
    got = saturation_vapor_pressure(table["T_C"])
    np.testing.assert_allclose(got, table["cipm2007"], rtol=2e-3)
    np.testing.assert_allclose(got, table["goff_gratch_wmo"], rtol=3e-3)
    warm = table["iapws95_CoolProp"].notna()
    np.testing.assert_allclose(got[warm], table["iapws95_CoolProp"][warm], rtol=4e-4)


def test_saturation_is_over_water_below_freezing():
    # CIPM-2007 over water at -10 C; over ice it would be 2.599 hPa
    assert saturation_vapor_pressure(-10.0) == pytest.approx(2.865169, rel=2e-3)


def test_the_seam_at_the_triple_point_is_smooth():
    below, above = saturation_vapor_pressure(np.array([0.0099, 0.0101]))
    # slope of the curve there: 0.4443 hPa/K (Clausius-Clapeyron, L 2.501 MJ/kg)
    assert above - below == pytest.approx(0.0002 * 0.4443, abs=3e-4)


@pytest.mark.parametrize(
    ("celsius", "mmhg", "humidity", "density"),
    [
        (22.3, 748.1, 37, 1.17194),
        (23.4, 612.3, 23, 0.95632),
        (10.0, 730.0, 40, 1.19569),
        (40.0, 760.0, 40, 1.11497),
    ],
)
def test_published_air_densities(celsius, mmhg, humidity, density):
    # NIST IR 6969, SOP 2, appendix B (Jones 1978), real gas; ideal gas is within 1e-3
    got = air_density(celsius, mmhg * HPA_PER_MMHG, humidity)
    assert got == pytest.approx(density, rel=1e-3)


@pytest.mark.parametrize("reference", ["rho_coolprop", "rho_cipm2007", "rho_metpy"])
def test_density_over_the_grid(grid, reference):
    got = air_density(grid["T_C"], grid["p_hPa"], grid["RH_pct"])
    np.testing.assert_allclose(got, grid[reference], rtol=1e-3)


def test_density_is_psychrolib_above_freezing(grid):
    warm = grid[grid["T_C"] > 0.01]
    got = air_density(warm["T_C"], warm["p_hPa"], warm["RH_pct"])
    np.testing.assert_allclose(got, warm["rho_psychrolib"], rtol=1e-7)


def test_vapor_pressure_over_the_grid(grid):
    got = vapor_pressure(grid["T_C"], grid["RH_pct"])
    np.testing.assert_allclose(got, grid["e_cipm2007_hPa"], rtol=1e-2)
    warm = grid["T_C"] > 0
    np.testing.assert_allclose(got[warm], grid["e_coolprop_hPa"][warm], rtol=1e-2)


def test_standard_atmosphere():
    table = pd.read_csv(DATA / "isa_atmosphere.csv")
    np.testing.assert_allclose(standard_pressure(table["H_m"]), table["p_hPa"], atol=1e-3)


@pytest.mark.parametrize(
    ("station", "elevation", "celsius", "vapor", "sea_level"),
    # exponential form with g/R = 9.80665/287.05; the rounded Kp of WMO-No. 8 gives 0.08 less
    [(900.0, 1000.0, 10.0, 8.0, 1013.6191), (845.56, 1500.0, 5.25, 0.0, 1013.2338)],
)
def test_reduction_to_sea_level(station, elevation, celsius, vapor, sea_level):
    got = sea_level_pressure(station, elevation, celsius, vapor)
    assert got == pytest.approx(sea_level, abs=0.13)
    back = station_pressure(sea_level, elevation, celsius, vapor)
    assert back == pytest.approx(station, abs=0.13)


def test_station_pressure_over_the_grid():
    table = pd.read_csv(DATA / "station_pressure_grid.csv")
    dry = pd.Series(0.0, index=table.index)
    got = station_pressure(table["p_msl_hPa"], table["elev_m"], table["T_station_C"], dry)
    np.testing.assert_allclose(got, table["station_psychrolib"], atol=0.2)
    np.testing.assert_allclose(got, table["station_hypsometric"], atol=0.2)


def test_standard_qnh_is_the_standard_atmosphere():
    # ICAO Doc 7488 and ISO 2533: an altimeter set to 1013.25 hPa shows the table's height
    table = pd.read_csv(DATA / "isa_atmosphere.csv")
    got = station_pressure_from_qnh(pd.Series(1013.25, index=table.index), table["H_m"])
    np.testing.assert_allclose(got, table["p_hPa"], atol=1e-3)


def test_qnh_is_a_shift_of_height_in_the_standard_atmosphere():
    # by the table alone: QNH 954.6084 is the pressure at 500 m, so that a station at 1500 m has
    # the pressure of 2000 m, 794.9520 hPa
    table = pd.read_csv(DATA / "isa_atmosphere.csv").set_index("H_m")["p_hPa"]
    for of_qnh, elevation in ((500, 1500), (-500, 1500), (1000, 3000), (0, -500)):
        got = station_pressure_from_qnh(table[of_qnh], float(elevation))
        assert got == pytest.approx(table[of_qnh + elevation], abs=1e-3)


@pytest.mark.parametrize(
    ("qnh", "elevation", "station", "within"),
    [
        # ambiance 1.3.1 (ICAO Doc 7488/3): field at 1000 ft, QNH 1013 hPa, QFE 976.9229 hPa
        (1013.0, 304.8, 976.9229, 5e-4),
        # Smithsonian Meteorological Tables, 6th ed. 1951, p. 269, as in the tests of MetPy:
        # 29.8 inHg at 500 m; that formula adds 0.01 inHg (0.3 hPa) for the altimeter's height
        (29.8 * 33.86389, 500.0, 950.967 - 0.3, 0.04),
    ],
)
def test_published_station_pressures_of_qnh(qnh, elevation, station, within):
    assert station_pressure_from_qnh(qnh, elevation) == pytest.approx(station, abs=within)


def test_qnh_over_the_grid():
    # MetPy's altimeter formula with its own constants, without the 0.3 hPa that it adds
    table = pd.read_csv(DATA / "station_pressure_grid.csv")
    got = station_pressure_from_qnh(table["p_msl_hPa"], table["elev_m"])
    np.testing.assert_allclose(got, table["station_metpy_altimeter"] - 0.3, atol=0.2)
    # and it is another reduction than that of WMO: 6 hPa apart at 1000 m and -10 degrees
    cold = table.query("T_station_C == -10 and elev_m == 1000 and p_msl_hPa == 1013.25").iloc[0]
    assert cold["station_hypsometric"] - station_pressure_from_qnh(1013.25, 1000.0) < -5.0


def test_humidity_from_dew_point_over_the_grid():
    table = pd.read_csv(DATA / "dewpoint_grid.csv")
    got = relative_humidity(table["T_C"], table["Td_metpy"])
    np.testing.assert_allclose(got, table["RH"], rtol=0.006)
    warm = table[table["Td_psychrolib"] > 0.01]
    np.testing.assert_allclose(
        relative_humidity(warm["T_C"], warm["Td_psychrolib"]), warm["RH"], rtol=1e-4
    )
    np.testing.assert_allclose(
        relative_humidity(warm["T_C"], warm["Td_coolprop_1013"]), warm["RH"], rtol=2e-3
    )


def test_humidity_from_dew_point_by_hand():
    # WMO-No. 8, annex 4.B, at 20 and 12 degrees: 6.112 exp(17.62 * 12 / 255.12) = 14.00 hPa over
    # 6.112 exp(17.62 * 20 / 263.12) = 23.33 hPa
    assert relative_humidity(20.0, 12.0) == pytest.approx(60.0, abs=0.1)
    assert relative_humidity(-5.0, -5.0) == 100.0
    assert relative_humidity(5.0, 5.4) == 100.0
    assert np.isnan(relative_humidity(5.0, np.nan))
