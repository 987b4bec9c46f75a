"""The air advice is given on: typed in, from a weather station, or of another place."""

import pandas as pd
import pytest

from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.analysis.advice.splicer_state import AirNow
from arcdrift.analysis.advice.splicer_states_at import splicer_states_at
from arcdrift.errors import UsageError
from arcdrift.settings import Crew

CREW = Crew.model_validate(
    {
        "name": "invented",
        "time_zone": "UTC",
        "sites": {
            "Harbor": {"elevation_m": 500.0},
            "Pass": {"elevation_m": 2000.0},
            "Moor": {},
        },
        "splicers": {"Heron": {"home_site": "Harbor"}},
    }
)
NOW = pd.Timestamp("2026-03-02T09:00Z").as_unit("us")


def nothing(*columns: str, when: str) -> pd.DataFrame:
    frame = pd.DataFrame({name: pd.Series([], dtype=object) for name in columns})
    return frame.assign(**{when: pd.to_datetime([]).tz_localize("UTC").as_unit("us")})


CHECKS = nothing(
    "splicer", "outcome", "site", "arc_setting", "arc_count", "line", when="checked_at"
)  # fmt: skip
SPLICES = nothing("splicer", "program", "site", "arc_count", when="spliced_at")
SERVICE = nothing("asset", "action", when="serviced_at")


def reading(
    site: str, celsius: float, hpa: float, source: str = "logger", humidity: float = 50.0
) -> dict[str, object]:
    return {
        "read_at": NOW - pd.Timedelta(minutes=10), "site": site, "splicer": None,
        "temperature_c": celsius, "pressure_hpa": hpa, "humidity_pct": humidity,
        "pressure_reference": "station", "source": source,
    }  # fmt: skip


def air(
    *rows: dict[str, object],
    elsewhere: str | float | None = None,
    typed: dict[str, float] | None = None,
) -> AirNow:
    readings = prepare_readings(pd.DataFrame(rows), CREW)
    (state,) = splicer_states_at(
        ["Heron"], CHECKS, SPLICES, SERVICE, readings, CREW, NOW, typed=typed, elsewhere=elsewhere
    )
    assert state.air is not None
    return state.air


# ISO 2533:1975, 500 m geopotential: 954.6084 hPa at 11.75 C; 2000 m: 794.9520 hPa
AT_500 = reading("Harbor", 11.75, 954.6084, humidity=1.0)


def test_the_other_sites_own_reading_goes_first() -> None:
    advice = air(AT_500, reading("Pass", -3.0, 790.0), elsewhere="Pass")
    assert (advice.temperature_c, advice.pressure_hpa) == (-3.0, 790.0)
    assert advice.source == "site logger"
    assert advice.age_min == pytest.approx(10.0)


@pytest.mark.parametrize("elsewhere", ["Pass", 2000.0])
def test_without_one_the_present_air_is_brought_there(elsewhere: str | float) -> None:
    advice = air(AT_500, elsewhere=elsewhere)
    # the standard atmosphere is dry; WMO-No. 8 rounds its constants
    assert advice.pressure_hpa == pytest.approx(794.9520, abs=0.2)
    assert advice.temperature_c == 11.75
    assert advice.source == "site logger, brought from 500 to 2000 m, its temperature kept"


def test_the_temperature_there_may_be_typed() -> None:
    advice = air(AT_500, elsewhere=2000.0, typed={"temperature_c": 2.0})
    assert advice.pressure_hpa == pytest.approx(794.9520, abs=0.2)
    assert advice.temperature_c == 2.0
    assert advice.source == "typed in, rest from site logger, brought from 500 to 2000 m"


def test_where_it_already_is_nothing_changes() -> None:
    assert air(AT_500, elsewhere="Harbor") == air(AT_500)


def test_an_unknown_elevation_is_refused_in_words() -> None:
    with pytest.raises(UsageError, match=r"Moor has no elevation_m in crew\.toml"):
        air(AT_500, elsewhere="Moor")


def test_a_typed_temperature_keeps_the_vapor() -> None:
    outside = air(reading("Harbor", 0.0, 954.0))
    inside = air(reading("Harbor", 0.0, 954.0), typed={"temperature_c": 20.0})
    assert inside.vapor_pressure == pytest.approx(outside.vapor_pressure)
    # saturation 6.11 and 23.39 hPa at 0 and 20 C, any steam table: 50 % becomes 13 %
    assert inside.humidity_pct == pytest.approx(50 * 6.11 / 23.39, abs=0.1)
    typed = {"temperature_c": 20.0, "humidity_pct": 40.0}
    assert air(reading("Harbor", 0.0, 954.0), typed=typed).humidity_pct == 40.0


def test_cold_air_of_a_weather_station_may_miss_a_heated_room() -> None:
    cold = reading("Harbor", 5.0, 954.0, source="weather station")
    assert air(cold).note is not None
    assert "type in the temperature at the splicer" in str(air(cold).note)
    assert air(cold, typed={"temperature_c": 20.0}).note is None
    assert air(cold, typed={"humidity_pct": 40.0}).note is not None
    assert air(reading("Harbor", 24.0, 954.0, source="weather station")).note is None
    assert air(reading("Harbor", 5.0, 954.0)).note is None
