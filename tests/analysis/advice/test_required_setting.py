"""The setting needed now: news from the last check, and rooms a weather station cannot see."""

import os
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from arcdrift.air.moist_air import air_density, saturation_vapor_pressure, vapor_pressure
from arcdrift.analysis.advice.required_setting import AirAndWear, required_setting
from arcdrift.analysis.arc.arc_model import ArcModel, Effect

LONG = os.environ.get("ARCDRIFT_LONG") == "1"
SLOPES = np.array([-120.0, 0.35, -2.0])
NOTHING = Effect("air", "air", "across the air seen", 0.0, 0.0, 0.0, None)


def met(
    celsius: float,
    *,
    outdoor: bool = False,
    hpa: float = 1000.0,
    rh: float = 50.0,
    age_min: float = 0.0,
) -> AirAndWear:
    values = [np.array([value]) for value in (celsius, hpa, rh)]
    density, vapor = float(air_density(*values)[0]), float(vapor_pressure(values[0], values[2])[0])
    return AirAndWear(celsius, hpa, density, vapor, 500.0, outdoor, age_min)


def sd_of_reading(age_min: float = 0.0, celsius: float = 15.0) -> float:
    """Sd of the setting when many readings are drawn with the errors that advice assumes.

    Half a degree in the thermometer, two points in the humidity sensor, and the change of
    temperature since: 0.93 degrees an hour, at constant vapor pressure. The standard error of an
    sd of 40,000 draws is 0.35 %.
    """
    rng = np.random.default_rng(1)
    read = celsius + 0.5 * rng.normal(size=40_000)
    humidity = 50.0 + 2.0 * rng.normal(size=len(read))
    vapor = vapor_pressure(read, humidity)
    now = read + 0.93 * age_min / 60.0 * rng.normal(size=len(read))
    humidity_now = 100.0 * vapor / saturation_vapor_pressure(now)
    density = air_density(now, np.full(len(now), 1000.0), humidity_now)
    return float(np.std(SLOPES[0] * density + SLOPES[1] * vapor))


READING = sd_of_reading()


def model(spread: float = 1.0, sigma: float = 3.0) -> ArcModel:
    """Needs 100 at 15 C; its level is known to ``spread``, its slopes exactly."""
    level = 100.0 - float(SLOPES @ met(15.0).regressors[:3])
    cov = np.diag([0.0, 0.0, 0.0, spread**2])
    return ArcModel(
        splicer="Heron", unit="steps", checks=20, used=20, excluded={}, epochs=1, effects=(),
        air_span=NOTHING, pooled=(), peers=0, pooling_weight=0.0, peer_slopes=(),
    mean=(*SLOPES, level),
        cov=tuple(map(tuple, cov)), sigma=sigma, phi=0.0, ranges={},
        ambiguous_checks=20, indoor_share=0.05,
    )  # fmt: skip


def test_a_check_the_model_knows_changes_nothing() -> None:
    required = required_setting(model(), met(15.0), met(15.0), 110.0, same_shift=True, learned=True)
    assert required.value == pytest.approx(100.0)
    assert required.spread == pytest.approx(np.hypot(1.0, READING), rel=0.01)
    # 16 degrees of freedom: Student's t from a table
    low, high = required.interval
    assert high - required.value == pytest.approx(2.120 * required.spread, rel=1e-3)
    assert required.value - low == pytest.approx(2.120 * required.spread, rel=1e-3)


def test_an_old_reading_is_less_certain() -> None:
    for minutes in (0.0, 30.0, 60.0):
        now = met(15.0, age_min=minutes)
        required = required_setting(model(0.0), now, None, 100.0, same_shift=True, learned=True)
        assert required.spread == pytest.approx(sd_of_reading(minutes), rel=0.02)


def test_the_interval_has_equal_tails_of_the_mixture() -> None:
    """Reference: quantiles of many draws from both airs."""
    now, rng = met(0.0, outdoor=True), np.random.default_rng(7)
    fitted = replace(model(2.0), indoor_share=0.08)
    required = required_setting(fitted, now, None, 100.0, same_shift=True, learned=True)
    room = rng.random(400_000) < required.heated
    t = rng.standard_t(16, size=len(room))
    draws = np.where(
        room, required.indoors + required.sd_indoors * t, required.outdoors + required.sd * t
    )
    np.testing.assert_allclose(required.interval, np.quantile(draws, [0.025, 0.975]), atol=0.1)
    assert required.interval[1] > required.value + 2.5 * required.spread


def test_a_later_check_is_weighed_by_precision() -> None:
    """Normal mean with known variances: precisions 1/1 and 1/9 (any textbook)."""
    required = required_setting(
        model(), met(15.0), met(15.0), 110.0, same_shift=True, learned=False
    )
    assert required.value == pytest.approx((100.0 * 1 + 110.0 / 9) / (1 + 1 / 9))
    assert required.spread == pytest.approx(np.hypot((1 + 1 / 9) ** -0.5, READING), rel=0.01)
    beyond = norm.sf(119.0, required.value, required.spread) + norm.cdf(
        101.0, required.value, required.spread
    )
    assert required.probability_off(110.0, 9.0) == pytest.approx(beyond)


def test_told_chances_come_true_when_the_check_is_news() -> None:
    """Draw levels and checks by the model's own law: bins of the chance told hold the truth."""
    rng, count = np.random.default_rng(4), 4000 if LONG else 1500
    needed = 100.0 + 2.0 * rng.normal(size=count)
    stored = needed + 3.0 * rng.normal(size=count)
    present, fitted = met(15.0), model(2.0)
    required = np.array(
        [
            required_setting(
                fitted, present, present, value, same_shift=True, learned=False
            ).probability_off(value, 4.0)
            for value in stored
        ]
    )  # fmt: skip
    off = np.abs(needed - stored) > 4.0
    for low, high in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 0.9)):
        here_in = (required >= low) & (required < high)
        error = np.sqrt(required[here_in].mean() * (1 - required[here_in].mean()) / here_in.sum())
        assert off[here_in].mean() == pytest.approx(required[here_in].mean(), abs=4 * error)


def test_cold_outdoor_air_leaves_a_heated_room_open() -> None:
    required = required_setting(
        model(), met(0.0, outdoor=True), None, 100.0, same_shift=True, learned=True
    )  # fmt: skip
    assert required.heated == pytest.approx(0.05)  # the share of its checks
    warmer = met(20.5, rh=50 * met(0.0).vapor_pressure / met(20.5).vapor_pressure)
    assert required.indoors == pytest.approx(
        float(warmer.regressors @ np.array(model().mean)), abs=1e-6
    )
    assert required.outdoors < required.value < required.indoors
    assert required.spread > 1.0


def test_who_checked_in_a_room_still_works_there() -> None:
    outside = met(0.0, outdoor=True)
    in_room = required_setting(model(), outside, None, 0.0, same_shift=True, learned=True).indoors
    today = required_setting(model(), outside, outside, in_room, same_shift=True, learned=True)
    assert today.heated > 0.3
    yesterday = required_setting(model(), outside, outside, in_room, same_shift=False, learned=True)
    assert yesterday.heated == pytest.approx(0.05)
    out = required_setting(model(), outside, outside, today.outdoors, same_shift=True, learned=True)
    assert out.heated < 0.02


def test_warm_air_or_a_logger_leaves_nothing_open() -> None:
    for now in (
        met(0.0),
        met(19.0, outdoor=True),
        replace(met(0.0, outdoor=True), pressure_hpa=None),
    ):
        required = required_setting(model(), now, None, 100.0, same_shift=True, learned=True)
        assert required.heated == 0.0
        assert required.value == pytest.approx(required.outdoors)


def test_a_sensor_beside_the_check_tells_the_room_from_the_open() -> None:
    now = met(2.0, outdoor=True)
    warm = required_setting(model(), now, met(21.0), 100.0, same_shift=True, learned=True)
    assert warm.heated > 0.95  # 19 degrees of cooling within a shift are hardly met
    cold = required_setting(model(), now, met(3.0), 100.0, same_shift=True, learned=True)
    assert cold.heated < 0.01
    mild = met(17.0, outdoor=True)
    ambiguous = required_setting(model(), mild, met(20.0), 100.0, same_shift=True, learned=True)
    # Bayes by hand: .05 N(20; 20.5, 1.5) against .95 N(20; 17, 5)
    inside, other = 0.05 * norm.pdf(20.0, 20.5, 1.5), 0.95 * norm.pdf(20.0, 17.0, 5.0)
    assert ambiguous.heated == pytest.approx(inside / (inside + other))
    later = required_setting(model(), now, met(21.0), 100.0, same_shift=False, learned=True)
    assert later.heated == pytest.approx(0.05)
