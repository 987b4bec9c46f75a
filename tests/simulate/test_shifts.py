"""Nights, weekends, clock changes and heated rooms, checked with pandas and the standard lapse."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from arcdrift.simulate import Habits, invented_crew, simulate, simulate_frames
from arcdrift.simulate.air.weather import make_weather
from arcdrift.times import local_day

ZONE = "America/Denver"


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    """Every splicer works every night, over the end of daylight time on 2026-11-01."""
    scenario = invented_crew(
        splicers=2, days=12, splices_per_day=60, seed=2, start=date(2026, 10, 26),
        habits=Habits(night=1.0, weekend=1.0, at_work=1.0, late=0.3, missed=0.1),
    )  # fmt: skip
    folder = tmp_path_factory.mktemp("nights")
    simulate(scenario, folder)
    return simulate_frames(scenario), folder


def test_a_night_shift_is_one_workday(nights):
    made, _ = nights
    assert made.crew.day_offset == timedelta(hours=6)
    splices = made["splices"]
    local = splices["spliced_at"].dt.tz_convert(ZONE)
    assert set(local.dt.hour) <= {20, 21, 22, 23, 0, 1, 2, 3, 4}
    assert {23, 0} <= set(local.dt.hour)
    # workday by plain arithmetic: the wall clock six hours ago
    day = (local.dt.tz_localize(None) - pd.Timedelta(hours=6)).dt.normalize()
    entries = pd.DataFrame(made.truth.check_days)
    counted = splices.groupby([splices["splicer"], day.dt.strftime("%Y-%m-%d")]).size()
    assert counted.to_dict() == entries.set_index(["splicer", "day"])["splices"].to_dict()
    again = local_day(splices["spliced_at"], ZONE, made.crew.day_offset)
    assert (again.to_numpy() == day.to_numpy()).all()
    # twelve nights each, weekends too
    assert entries.groupby("splicer").size().tolist() == [12, 12]


def test_statuses_of_nights_follow_from_the_records(nights):
    made, _ = nights
    when = {"arc-checks": "checked_at", "splices": "spliced_at"}
    rows = {}
    for kind, column in when.items():
        local = made[kind][column].dt.tz_convert(ZONE).dt.tz_localize(None)
        night = (local - pd.Timedelta(hours=6)).dt.strftime("%Y-%m-%d")
        rows[kind] = made[kind].assign(night=night)
    statuses = set()
    for day in made.truth.check_days:
        work, checks = (
            frame[(frame["splicer"] == day["splicer"]) & (frame["night"] == day["day"])]
            for frame in (rows["splices"], rows["arc-checks"])
        )
        passed = checks.loc[checks["outcome"] == "pass", "checked_at"]
        before = int((work["spliced_at"] < passed.min()).sum()) if len(passed) else 0
        failed = "failed-only" if len(checks) else "missed"
        status = ("late" if before else "checked") if len(passed) else failed
        assert day["status"] == status
        assert day["splices_before_check"] == before
        statuses.add(status)
    assert {"checked", "late", "missed"} <= statuses


def test_the_repeated_hour_comes_once_in_each_offset(nights):
    made, folder = nights
    text = pd.read_csv(folder / "splices.csv.gz")["spliced_at"]
    hour = text[text.str.startswith("2026-11-01T01:")]
    assert set(hour.str[-6:]) == {"-06:00", "-07:00"}
    # UTC runs on without a break longer than the pause and an ordinary gap
    subset = made["splices"].query("splicer == 'Heron'")["spliced_at"]
    night = subset[subset.between("2026-11-01 02:00+00:00", "2026-11-01 11:00+00:00")]
    assert night.diff().max() < pd.Timedelta(hours=2)


def test_the_skipped_hour_never_comes(tmp_path):
    # daylight time begins on 2027-03-14: 02:00 to 03:00 does not exist
    scenario = invented_crew(
        splicers=2, days=4, splices_per_day=80, seed=2, start=date(2027, 3, 12),
        habits=Habits(night=1.0, weekend=1.0, at_work=1.0),
    )  # fmt: skip
    simulate(scenario, tmp_path)
    text = pd.read_csv(tmp_path / "splices.csv.gz")["spliced_at"]
    sunday = text[text.str.startswith("2027-03-14T0")]
    hours = set(sunday.str[11:13])
    assert {"01", "03"} <= hours
    assert "02" not in hours
    assert sunday.str[11:16].max() < "06:00"


def test_a_share_of_splicers_works_nights():
    made = simulate_frames(
        invented_crew(splicers=30, days=5, splices_per_day=8, seed=1, habits=Habits(night=0.3))
    )
    hour = made["splices"]["spliced_at"].dt.tz_convert(ZONE).dt.hour
    late = (hour >= 20) | (hour < 6)
    by_splicer = late.groupby(made["splices"]["splicer"]).mean()
    assert set(by_splicer) == {0.0, 1.0}
    assert 3 <= by_splicer.sum() <= 16  # 9 expected, 3 standard deviations of a binomial
    assert len(made["service"]) > 0


def test_weekends_are_worked_by_their_share():
    habits = Habits(weekend=0.25, at_work=0.9)
    made = simulate_frames(
        invented_crew(splicers=20, days=70, splices_per_day=6, seed=3, habits=habits)
    )
    day = pd.to_datetime(pd.DataFrame(made.truth.check_days)["day"])
    worked = (day.dt.day_of_week >= 5).sum()
    assert worked / (20 * 20) == pytest.approx(0.25, abs=0.07)  # 3 standard errors
    assert ((day.dt.day_of_week < 5).sum()) / (20 * 50) == pytest.approx(0.9, abs=0.03)


def test_check_rates_are_those_asked_for():
    habits = Habits(late=0.2, missed=0.1, failed_only=0.05, retry=0.1)
    made = simulate_frames(
        invented_crew(splicers=20, days=100, splices_per_day=8, seed=3, habits=habits)
    )
    share = pd.DataFrame(made.truth.check_days)["status"].value_counts(normalize=True)
    # about 1,300 splicer-days: 3 standard errors are 0.03 or less
    assert share["late"] == pytest.approx(0.2, abs=0.035)
    assert share["missed"] == pytest.approx(0.1, abs=0.03)
    assert share["failed-only"] == pytest.approx(0.05, abs=0.02)


def test_nobody_swaps_where_nobody_should():
    made = simulate_frames(
        invented_crew(splicers=5, days=60, splices_per_day=8, seed=3, habits=Habits(swaps=0.0))
    )
    people = made["splices"].groupby("splicer")["technician"].nunique()
    assert people.tolist() == [1] * 5


def test_heated_rooms_are_warm_and_keep_the_vapor():
    habits = Habits(indoor=0.5)
    scenario = invented_crew(
        splicers=3, days=60, splices_per_day=8, seed=3, start=date(2026, 12, 1), habits=habits
    )
    weather = make_weather(scenario)
    outside = weather.outside
    heated = weather.temperature > outside.temperature
    assert heated.mean() == pytest.approx(0.5, abs=0.1)
    assert weather.temperature[heated].min() >= 18.0
    np.testing.assert_array_equal(weather.vapor_pressure, outside.vapor_pressure)
    np.testing.assert_array_equal(weather.station_pressure, outside.station_pressure)
    # ideal gas: warmer air of the same pressure is thinner as the absolute temperatures go
    ratio = weather.density[heated] / outside.density[heated]
    kelvin = (outside.temperature[heated] + 273.15) / (weather.temperature[heated] + 273.15)
    np.testing.assert_allclose(ratio, kelvin, rtol=1e-9)

    readings = simulate_frames(scenario)["readings"]
    harbor = readings.query("source == 'logger Harbor'")["temperature_c"]
    valley = readings.query("source == 'weather station Valley'")["temperature_c"]
    # the logger stands in the room, the weather station does not
    assert (harbor > 17.0).mean() == pytest.approx(0.5, abs=0.15)
    assert (valley > 17.0).mean() < 0.1


def test_own_formulas_agree_with_the_package_s():
    from arcdrift.simulate.air.moist_air import IDEAL_GAS, MOIST_AIR

    t = np.array([-15.0, 0.5, 12.0, 35.0])
    rh, p = np.array([60.0, 90.0, 40.0, 70.0]), np.array([720.0, 1013.0, 950.0, 1005.0])
    np.testing.assert_allclose(
        IDEAL_GAS.vapor_pressure(t, rh), MOIST_AIR.vapor_pressure(t, rh), rtol=4e-3
    )
    np.testing.assert_allclose(IDEAL_GAS.density(t, p, rh), MOIST_AIR.density(t, p, rh), rtol=4e-4)
    # 20 C, 1013.25 hPa, 50 %: 1.199314 kg/m3 by CIPM-2007, 2.3326 kPa saturated by WMO-No. 8
    assert IDEAL_GAS.density(*np.array([[20.0], [1013.25], [50.0]]))[0] == pytest.approx(
        1.199314, rel=5e-4
    )
    assert IDEAL_GAS.saturation_pressure(np.array([20.0]))[0] == pytest.approx(23.326, abs=0.001)
