"""Air at sites from METAR reports of stations, against an atmosphere that is known.

The atmosphere is integrated by steps of one meter: dp = -p g dz / (287.05 Tv), with 6.5 degrees
less per kilometer and a constant share of water vapor. Its station reports as METAR does: whole
degrees, and QNH rounded down, which is found by bisection of the printed table of ISO 2533.
"""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.air.air_join import join_air
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store.database.connect import open_store
from arcdrift.store.records.record_rows import read_records

STATION_M, SITES_M = 300.0, {"Low": 20.0, "Same": 300.0, "High": 900.0}
COUNT = 400
G, R = 9.80665, 287.05
CREW = Crew.model_validate(
    {
        "name": "Invented",
        "sites": {
            name: {"elevation_m": height, "station": "ENXX"} for name, height in SITES_M.items()
        },
        "stations": {"ENXX": {"elevation_m": STATION_M}},
    }
)


def saturation(celsius):
    """Over water, after Goff and Gratch (1946), as in the WMO technical regulations."""
    t, boil = celsius + 273.15, 373.16
    exponent = (
        -7.90298 * (boil / t - 1)
        + 5.02808 * np.log10(boil / t)
        - 1.3816e-7 * (10 ** (11.344 * (1 - t / boil)) - 1)
        + 8.1328e-3 * (10 ** (-3.49149 * (boil / t - 1)) - 1)
        + np.log10(1013.246)
    )
    return 10**exponent


def dew_point(vapor):
    low, high = np.full(len(vapor), -70.0), np.full(len(vapor), 60.0)
    for _ in range(60):
        middle = (low + high) / 2
        above = saturation(middle) > vapor
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return low


def pressure_at(height, pressure, celsius, vapor):
    """Pressure at another height, from that at the station."""
    climb = height - STATION_M
    steps = int(abs(climb))
    share, dz = vapor / pressure, np.sign(climb)
    for step in range(steps):
        kelvin = celsius + 273.15 - 0.0065 * dz * (step + 0.5)
        virtual = kelvin / (1 - 0.378 * share)
        pressure = pressure * np.exp(-G * dz / (R * virtual))
    return pressure


def qnh(station_pressure):
    """QNH from the printed standard atmosphere: the table's height, less that of the station."""
    table = pd.read_csv(Path(__file__).parent / "data" / "isa_atmosphere.csv").sort_values("H_m")
    height, logs = table["H_m"].to_numpy(), np.log(table["p_hPa"].to_numpy())
    curve = np.polynomial.Polynomial.fit(height, logs, 6)
    low, high = np.full(len(station_pressure), -500.0), np.full(len(station_pressure), 3000.0)
    for _ in range(60):
        middle = (low + high) / 2
        above = np.exp(curve(middle)) > station_pressure
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.exp(curve(low - STATION_M))


@pytest.fixture(scope="module")
def truth():
    rng = np.random.default_rng(3)
    celsius = rng.uniform(-15, 32, COUNT)
    vapor = saturation(celsius) * rng.uniform(0.2, 0.98, COUNT)
    return celsius, rng.uniform(945.0, 1000.0, COUNT), vapor


@pytest.fixture(scope="module")
def air(truth, tmp_path_factory):
    celsius, pressure, vapor = truth
    folder = tmp_path_factory.mktemp("reports")
    at = pd.date_range("2026-06-01", periods=COUNT, freq="h", tz="UTC")

    def written(value):
        return f"{'M' if value < 0 else ''}{abs(round(value)):02d}"

    rows = zip(at, celsius, dew_point(vapor), qnh(pressure), strict=True)
    (folder / "2026-06.txt").write_text(
        "".join(
            f"METAR ENXX {time:%d%H%M}Z 24008KT CAVOK {written(t)}/{written(d)} Q{int(q):04d}=\n"
            for time, t, d, q in rows
        )
    )
    engine = open_store(folder)
    report = import_file(engine, CREW, folder / "2026-06.txt", now=datetime(2026, 7, 1, tzinfo=UTC))
    assert report.balance.accepted == COUNT
    readings = read_records(engine, "readings")
    return {
        site: join_air(pd.DataFrame({"splicer": "S", "site": site, "at": at}), readings, CREW, "at")
        for site in SITES_M
    }


@pytest.mark.parametrize("site", SITES_M)
def test_pressure_at_the_site(truth, air, site):
    celsius, pressure, vapor = truth
    known = pressure_at(SITES_M[site], pressure, celsius, vapor)
    error = air[site]["station_pressure_hpa"] - known
    # QNH is rounded down by up to 1 hPa; over 600 m half a degree adds 0.13 hPa, and the constants
    # of WMO-No. 8 about 0.1 hPa
    assert error.between(-1.3, 0.3).all()
    assert error.mean() == pytest.approx(-0.5, abs=0.15)


def test_humidity_and_density(truth, air):
    celsius, pressure, vapor = truth
    same = air["Same"]
    # half a degree in each of temperature and dew point is up to 7 % of the humidity
    assert (same["vapor_pressure"] / vapor).between(0.95, 1.05).all()
    density = 100.0 * (pressure - 0.378 * vapor) / (R * (celsius + 273.15))
    assert (same["air_density"] / density - 1.0).abs().max() < 0.0035
