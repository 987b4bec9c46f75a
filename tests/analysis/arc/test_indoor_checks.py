"""Checks known only by a weather station, some of them made in heated rooms."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from arcdrift.air.air_join import SITE_LOGGER, WEATHER_STATION
from arcdrift.analysis.arc.indoor_checks import ROOM_C, IndoorMixture, room_density


def _air(source: str, temperature: float) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "air_source": [source],
            "temperature_c": [temperature],
            "station_pressure_hpa": [1000.0],
            "vapor_pressure": [6.0],
        }
    )


def test_a_rooms_air_keeps_pressure_and_vapor_outside():
    # ideal gases: density of dry air and vapor apart, R = 287.05 and 461.5 J/(kg K)
    kelvin = ROOM_C + 273.15
    expected = (100000.0 - 600.0) / (287.05 * kelvin) + 600.0 / (461.5 * kelvin)
    got = room_density(_air(WEATHER_STATION, -5.0)).iloc[0]
    assert got == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(
    ("source", "temperature"),
    [(SITE_LOGGER, -5.0), (WEATHER_STATION, 20.0), (WEATHER_STATION, np.nan)],
)
def test_no_second_air_beside_a_logger_or_in_the_warm(source, temperature):
    assert room_density(_air(source, temperature)).isna().all()


def test_weights_and_z_hold_over_checks_of_a_known_mixture():
    # 15 % of 6,000 checks in rooms, which lifts the setting by 2.5 sd
    rng = np.random.default_rng(11)
    heated = rng.random(6_000) < 0.15
    outdoors = rng.standard_t(40, len(heated)) + 2.5 * heated
    rooms = IndoorMixture()
    scores = np.array([rooms.score(value, value - 2.5, 40.0) for value in outdoors])
    assert rooms.share == pytest.approx(0.15, abs=0.01)
    certain = scores[:, 0] > 0.5
    assert heated[certain].mean() == pytest.approx(scores[certain, 0].mean(), abs=0.03)
    assert stats.kstest(scores[1000:, 1], "norm").pvalue > 0.01


def test_a_setting_no_air_explains_stays_far():
    heated, z = IndoorMixture().score(11.0, 8.5, 40.0)
    assert z == 8.5
    assert heated > 0.5
    assert IndoorMixture().score(-9.0, -11.5, 40.0)[1] == -9.0
