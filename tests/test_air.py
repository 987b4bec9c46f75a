import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arcdrift.air import air_join
from arcdrift.air import prepared_readings as problems
from arcdrift.air.air_join import AIR_COLUMNS, join_air
from arcdrift.air.moist_air import (
    air_density,
    saturation_vapor_pressure,
    sea_level_pressure,
    standard_pressure,
    station_pressure,
    vapor_pressure,
)
from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.settings import Crew

CREW = Crew.model_validate(
    {
        "name": "Invented test crew",
        "time_zone": "America/Denver",
        "sites": {
            "Harbor": {"elevation_m": 12},
            "Pass": {"elevation_m": 2740},
            "Nowhere": {},
            "Dale": {"elevation_m": 500, "station": "ENXX"},
            "Moor": {"elevation_m": 1000, "station": "ENXX"},
            "Shore": {"station": "ENXX"},
            "Fjord": {"elevation_m": 5, "station": "ENYY"},
        },
        "stations": {"ENXX": {"elevation_m": 500}, "ENYY": {}},
        "splicers": {
            "Heron": {"home_site": "Harbor"},
            "Kestrel": {"home_site": "Pass"},
            "Plover": {},
        },
    }
)


def at(*texts: str) -> pd.Series:
    return pd.Series(pd.to_datetime([f"2026-07-20 {t}" for t in texts], utc=True)).astype(
        "datetime64[us, UTC]"
    )


def readings(rows: list[dict[str, object]]) -> pd.DataFrame:
    frame = pd.DataFrame(
        rows,
        columns=["read_at", "site", "splicer", "temperature_c", "pressure_hpa", "humidity_pct",
                 "pressure_reference", "source", "station", "dew_point_c"],
    )  # fmt: skip
    frame["read_at"] = at(*frame["read_at"]) if rows else at()
    text = ["site", "splicer", "station", "pressure_reference", "source"]
    number = ["temperature_c", "pressure_hpa", "humidity_pct", "dew_point_c"]
    return frame.astype(dict.fromkeys(text, "str") | dict.fromkeys(number, "float64"))


def logger(when: str, site: str = "Harbor", **other: object) -> dict[str, object]:
    air = {"temperature_c": 20.0, "pressure_hpa": 1010.0, "humidity_pct": 50.0}
    return {"read_at": when, "site": site, "pressure_reference": "station"} | air | other


def events(*rows: tuple[str, str], **columns: list[object]) -> pd.DataFrame:
    frame = pd.DataFrame({"splicer": [s for s, _ in rows], "spliced_at": at(*(t for _, t in rows))})
    return frame.assign(**columns)


# --- formulas ---------------------------------------------------------------


def test_what_comes_in_goes_out():
    series = pd.Series([10.0, np.nan, 30.0], index=[7, 3, 5])
    out = air_density(series, series * 0 + 1000.0, 50.0)
    assert out.index.tolist() == [7, 3, 5]
    assert out.isna().tolist() == [False, True, False]
    assert isinstance(air_density(20.0, 1000.0, 50.0), float)
    assert air_density(np.full((2, 3), 20.0), 1000.0, 50.0).shape == (2, 3)
    assert len(saturation_vapor_pressure(np.empty(0))) == 0
    assert len(air_density(pd.Series([], dtype=float), 1000.0, 50.0)) == 0


@pytest.mark.parametrize(
    "values", [(99.0, 1000.0, 50.0), (20.0, 0.0, 50.0), (20.0, 1000.0, 130.0), (20.0, 1e3, np.nan)]
)
def test_broken_sensors_give_nan(values):
    assert np.isnan(air_density(*values))


def test_standard_pressure_at_sea_level():
    assert standard_pressure(0.0) == pytest.approx(1013.25)


@given(
    st.floats(-40, 40), st.floats(500, 1040), st.floats(0, 100), st.floats(-400, 5000)
)  # fmt: skip
def test_station_pressure_and_its_inverse_cancel(celsius, hpa, humidity, elevation):
    vapor = vapor_pressure(celsius, humidity)
    reduced = sea_level_pressure(hpa, elevation, celsius, vapor)
    assert station_pressure(reduced, elevation, celsius, vapor) == pytest.approx(hpa, rel=1e-12)


@given(st.floats(-40, 45), st.floats(600, 1040), st.floats(0, 99))
def test_moist_air_is_lighter(celsius, hpa, humidity):
    assert air_density(celsius, hpa, humidity + 1.0) < air_density(celsius, hpa, humidity)


# --- readings ---------------------------------------------------------------


def test_station_readings_keep_their_pressure():
    out = prepare_readings(readings([logger("08:00")]), CREW)
    assert out["station_pressure_hpa"].tolist() == [1010.0]
    # CIPM-2007: 1.199314 kg/m3 at 1013.25 hPa, scaled by (p - 0.378 e)
    assert out["air_density"][0] == pytest.approx(1.19545, rel=1e-3)
    assert out["air_problem"].isna().all()


def test_sea_level_readings_come_back_to_the_station():
    row = logger("08:00", "Pass", pressure_hpa=1013.25, pressure_reference="sea-level",
                 temperature_c=-2.8, humidity_pct=0.0)  # fmt: skip
    out = prepare_readings(readings([row]), CREW)
    # ISO 2533 by hand: 1013.25 * (1 - 17.81/288.15)^5.25588 = 724.57 at 2740 m, -2.8 C
    assert out["station_pressure_hpa"][0] == pytest.approx(724.57, abs=0.3)
    assert out["pressure_hpa"][0] == 1013.25


def test_qnh_comes_back_to_the_station_without_temperature_or_humidity():
    row = logger("08:00", "Pass", pressure_hpa=1013.25, pressure_reference="qnh",
                 temperature_c=np.nan, humidity_pct=np.nan)  # fmt: skip
    out = prepare_readings(readings([row]), CREW)
    # ISO 2533 by hand, as above
    assert out["station_pressure_hpa"][0] == pytest.approx(724.57, abs=0.01)
    assert out["air_problem"].isna().all()


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"site": "Nowhere", "pressure_reference": "sea-level"}, problems.NO_ELEVATION),
        ({"site": "Unheard of", "pressure_reference": "sea-level"}, problems.NO_ELEVATION),
        ({"site": "Nowhere", "pressure_reference": "qnh"}, problems.NO_ELEVATION),
        ({"pressure_hpa": 725.0, "pressure_reference": "qnh"}, problems.NOT_REDUCED),
        ({"pressure_hpa": 725.0, "pressure_reference": "sea-level"}, problems.NOT_REDUCED),
        (
            {"pressure_reference": "sea-level", "humidity_pct": np.nan},
            problems.NO_REDUCTION,
        ),
        ({"site": "Nowhere", "pressure_reference": None}, problems.REFERENCE_UNKNOWN),
        ({"site": "Pass", "pressure_reference": None}, problems.LOOKS_REDUCED),
        (
            {"site": "Pass", "pressure_hpa": 850.0, "pressure_reference": None},
            problems.IMPLAUSIBLE,
        ),
        ({"site": "Pass", "pressure_reference": "station"}, problems.IMPLAUSIBLE),
    ],
)
def test_pressure_is_never_guessed(change, problem):
    out = prepare_readings(readings([logger("08:00") | change]), CREW)
    assert out["air_problem"].tolist() == [problem]
    assert out["station_pressure_hpa"].isna().all()
    assert out["air_density"].isna().all()


# --- weather stations --------------------------------------------------------


def station(when: str, name: str = "ENXX", **other: object) -> dict[str, object]:
    air = {"temperature_c": 11.75, "pressure_hpa": 1013.25, "dew_point_c": -20.0}
    return {"read_at": when, "station": name, "pressure_reference": "qnh"} | air | other


@pytest.mark.parametrize(
    ("reference", "reported"), [("qnh", 1013.25), ("station", 954.6084), ("sea-level", 1013.25)]
)
def test_a_station_serves_its_sites_at_their_own_elevations(reference, reported):
    row = station("08:00", pressure_reference=reference, pressure_hpa=reported)
    out = prepare_readings(readings([row]), CREW).set_index("site")
    assert sorted(out.index) == ["Dale", "Moor", "Shore"]
    # ISO 2533, whose air has 11.75 degrees at 500 m: 954.6084 hPa there, 898.7456 at 1000 m
    assert out.loc["Dale", "station_pressure_hpa"] == pytest.approx(954.6084, abs=0.1)
    assert out.loc["Moor", "station_pressure_hpa"] == pytest.approx(898.7456, abs=0.2)
    assert out.loc["Shore", "air_problem"] == problems.NO_SITE_ELEVATION
    assert out["temperature_c"].tolist() == [11.75] * 3
    # Magnus by hand: e(-20) 1.2597 hPa over e(11.75) 13.771 hPa
    assert out["humidity_pct"].tolist() == pytest.approx([9.15] * 3, abs=0.02)


def test_without_humidity_pressure_is_not_brought_to_another_elevation():
    row = station("08:00", dew_point_c=np.nan)
    out = prepare_readings(readings([row]), CREW).set_index("site")
    assert out.loc["Dale", "station_pressure_hpa"] == pytest.approx(954.6084, abs=1e-3)
    assert out.loc["Moor", "air_problem"] == problems.NO_REDUCTION


def test_a_station_without_elevation_gives_temperature_and_humidity_only():
    out = prepare_readings(readings([station("08:00", "ENYY"), station("09:00", "ENZZ")]), CREW)
    assert out["air_problem"].tolist() == [problems.NO_STATION_ELEVATION] * 2
    assert out["site"].fillna("none").tolist() == ["Fjord", "none"]
    assert out["humidity_pct"].notna().all()
    assert out["air_density"].isna().all()


def test_events_get_the_air_of_their_sites_station_after_that_of_loggers():
    frame = readings([station("08:00"), logger("08:00", "Moor", pressure_hpa=899.0)])
    crew = CREW.model_copy(update={"air_max_age_min": 90.0})
    found = events(("Heron", "08:20"), ("Heron", "08:20"), site=["Dale", "Moor"])
    air = join_air(found, frame, crew, "spliced_at")
    assert air["air_source"].tolist() == ["weather station", "site logger"]
    assert air["station_pressure_hpa"].tolist() == pytest.approx([954.6084, 899.0], abs=0.1)
    assert air["air_age_min"].tolist() == [20.0, 20.0]


def test_a_measured_humidity_goes_before_the_dew_point():
    out = prepare_readings(readings([logger("08:00", dew_point_c=0.0)]), CREW)
    assert out["humidity_pct"].tolist() == [50.0]


@pytest.mark.parametrize(
    "change",
    [
        {"pressure_reference": None},  # 1010 hPa at 12 m
        {"site": "Pass", "pressure_hpa": 725.0, "pressure_reference": None},
        {"site": "Nowhere", "pressure_hpa": 800.0, "pressure_reference": None},
        {"site": "Nowhere", "pressure_reference": "station"},
        {"site": None, "splicer": "Heron", "pressure_reference": None},
    ],
)
def test_readings_that_can_only_be_station_pressure(change):
    row = logger("08:00") | change
    out = prepare_readings(readings([row]), CREW)
    assert out["air_problem"].isna().all()
    assert out["station_pressure_hpa"].tolist() == [row["pressure_hpa"]]


def test_missing_pressure_is_no_problem_of_the_reference():
    out = prepare_readings(readings([logger("08:00", pressure_hpa=np.nan)]), CREW)
    assert out["air_problem"].isna().all()
    # half of 23.39 hPa, IAPWS-95
    assert out["vapor_pressure"][0] == pytest.approx(11.70, abs=0.01)


def test_readings_are_not_changed():
    frame = readings([logger("08:00")])
    before = frame.copy()
    prepare_readings(frame, CREW)
    pd.testing.assert_frame_equal(frame, before)


# --- join -------------------------------------------------------------------


def test_nearest_reading_on_either_side_with_its_age():
    frame = readings([logger("08:00", temperature_c=10.0), logger("08:30", temperature_c=12.0)])
    out = join_air(events(("Heron", "08:10"), ("Heron", "08:26")), frame, CREW, "spliced_at")
    assert list(out.columns) == list(AIR_COLUMNS)
    assert out["temperature_c"].tolist() == [10.0, 12.0]
    assert out["air_age_min"].tolist() == [10.0, 4.0]
    assert out["air_source"].tolist() == [air_join.SITE_LOGGER] * 2


def test_nothing_reaches_across_a_gap():
    frame = readings([logger("08:00"), logger("12:00")])
    out = join_air(
        events(("Heron", "08:59"), ("Heron", "10:00"), ("Heron", "11:00")), frame, CREW,
        "spliced_at",
    )  # fmt: skip
    assert out["air_density"].isna().tolist() == [False, True, False]
    assert out["air_source"].isna().tolist() == [False, True, False]
    assert out["air_age_min"][[0, 2]].tolist() == [59.0, 60.0]


def test_sources_in_order():
    weather = {"source": "Weather service", "temperature_c": 4.0}
    frame = readings(
        [
            logger("09:00", temperature_c=3.0),
            logger("09:00", **weather),
            logger("09:00", None, splicer="Heron", temperature_c=2.0, pressure_reference=None),
            logger("15:00", pressure_reference="sea-level", temperature_c=5.0),
        ]
    )
    own = {"temperature_c": [1.0, np.nan], "pressure_hpa": [1011.0] * 2, "humidity_pct": [40.0] * 2}
    out = join_air(events(("Heron", "09:10"), ("Heron", "09:10"), **own), frame, CREW, "spliced_at")
    assert out["temperature_c"].tolist() == [1.0, 2.0]
    assert out["air_source"].tolist() == [air_join.SAME_RECORD, air_join.SPLICER_LOG]
    assert out["air_age_min"].tolist() == [0.0, 10.0]

    out = join_air(
        events(("Plover", "09:10"), ("Plover", "15:10"), site=["Harbor"] * 2), frame, CREW,
        "spliced_at",
    )  # fmt: skip
    assert out["temperature_c"].tolist() == [3.0, 5.0]
    assert out["air_source"].tolist() == [air_join.SITE_LOGGER, air_join.WEATHER_STATION]

    # the station alone when the logger's reading is gone
    out = join_air(
        events(("Plover", "09:10"), site=["Harbor"]), frame.drop(index=0), CREW, "spliced_at"
    )
    assert out["temperature_c"].tolist() == [4.0]


def test_whole_readings_go_before_partial_ones():
    frame = readings(
        [
            logger("09:00", humidity_pct=np.nan, temperature_c=1.0),
            logger("09:40", temperature_c=2.0),
            logger("12:00", humidity_pct=np.nan, temperature_c=3.0),
        ]
    )
    out = join_air(events(("Heron", "09:01"), ("Heron", "12:01")), frame, CREW, "spliced_at")
    assert out["temperature_c"].tolist() == [2.0, 3.0]
    assert out["air_density"].isna().tolist() == [False, True]
    assert out["air_age_min"].tolist() == [39.0, 1.0]


def test_own_partial_values_are_used_when_nothing_whole_is_near():
    out = join_air(
        events(("Heron", "09:00"), temperature_c=[7.0]), readings([]), CREW, "spliced_at"
    )
    assert out["temperature_c"].tolist() == [7.0]
    assert out["air_source"].tolist() == [air_join.SAME_RECORD]
    assert out["air_density"].isna().all()


def test_site_of_the_row_goes_before_the_home_site():
    frame = readings([logger("09:00"), logger("09:00", "Pass", pressure_hpa=725.0)])
    out = join_air(
        events(("Heron", "09:00"), ("Heron", "09:00"), ("Plover", "09:00"),
               site=["Pass", None, None]),
        frame, CREW, "spliced_at",
    )  # fmt: skip
    assert out["station_pressure_hpa"].tolist()[:2] == [725.0, 1010.0]
    assert out["air_source"].isna().tolist() == [False, False, True]


def test_unsorted_input_and_repeated_index():
    frame = readings([logger("09:30", temperature_c=3.0), logger("08:00", temperature_c=1.0),
                      logger("08:45", temperature_c=2.0)])  # fmt: skip
    shuffled = events(("Heron", "09:31"), ("Heron", "08:01"), ("Heron", "08:46"))
    shuffled.index = [5, 5, 1]
    out = join_air(shuffled, frame, CREW, "spliced_at")
    assert out.index.tolist() == [5, 5, 1]
    assert out["temperature_c"].tolist() == [3.0, 1.0, 2.0]


def test_events_without_a_time_have_no_air():
    frame = events(("Heron", "09:00"), ("Heron", "09:00"))
    frame.loc[0, "spliced_at"] = pd.NaT
    out = join_air(frame, readings([logger("09:00")]), CREW, "spliced_at")
    assert out["air_density"].isna().tolist() == [True, False]


def test_empty_frames():
    none = join_air(events(), readings([logger("09:00")]), CREW, "spliced_at")
    assert len(none) == 0
    assert list(none.columns) == list(AIR_COLUMNS)
    out = join_air(events(("Heron", "09:00")), readings([]), CREW, "spliced_at")
    assert out.drop(columns="air_source").isna().all(axis=None)
    assert out["air_source"].isna().all()


def test_prepared_readings_give_the_same_join():
    frame = readings([logger("09:00", "Pass", pressure_hpa=1015.0, pressure_reference="sea-level")])
    happened = events(("Kestrel", "09:20"))
    once = join_air(happened, frame, CREW, "spliced_at")
    again = join_air(happened, prepare_readings(frame, CREW), CREW, "spliced_at")
    pd.testing.assert_frame_equal(once, again)
    assert once["air_source"].tolist() == [air_join.WEATHER_STATION]


@given(st.lists(st.integers(0, 600), max_size=20), st.lists(st.integers(0, 600), max_size=20))
def test_join_agrees_with_a_plain_search(event_minutes, reading_minutes):
    def clock(minutes: list[int]) -> list[str]:
        return [f"{m // 60:02d}:{m % 60:02d}" for m in minutes]

    happened = events(*(("Heron", t) for t in clock(event_minutes)))
    frame = readings([logger(t) for t in clock(reading_minutes)])
    got = join_air(happened, frame, CREW, "spliced_at")["air_age_min"]
    for minute, age in zip(event_minutes, got, strict=True):
        near = min((abs(minute - m) for m in reading_minutes), default=999)
        assert age == near if near <= 60 else np.isnan(age)
