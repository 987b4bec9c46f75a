"""A day that does the same to everybody is told apart from a fault of one machine."""

import numpy as np
import pytest

from arcdrift.analysis.loss.common_day_effect import FEWEST_OTHERS, CommonDayEffect
from tests.analysis.loss.loss_truth import START, Made, chart_losses

OWNERS = np.arange(12)
ONE_GROUP = np.zeros(12, dtype=np.int64)
VARIANCE = np.full(12, 0.02)


def test_a_clear_day_is_told_and_a_calm_one_is_left_alone():
    rng = np.random.default_rng(1)
    noise = rng.normal(0.0, np.sqrt(0.02), 12)
    hot = CommonDayEffect().estimate(noise + 0.6, VARIANCE, OWNERS, ONE_GROUP)
    assert hot == pytest.approx(np.full(12, 0.6), abs=0.25)
    calm = CommonDayEffect().estimate(noise, VARIANCE, OWNERS, ONE_GROUP)
    assert not calm.any()


def test_a_fault_of_one_machine_does_not_hide_itself():
    residual = np.zeros(12)
    residual[3] = 5.0
    effect_of_day = CommonDayEffect(variance=0.01, sums=np.array([1.0, 100.0])).estimate(
        residual, VARIANCE, OWNERS, ONE_GROUP
    )
    assert effect_of_day[3] == 0.0
    # two and a half standard deviations is all one machine may pull, shared over eleven others
    assert np.delete(effect_of_day, 3).max() < 0.04


def test_too_few_others_tell_nothing():
    few = FEWEST_OTHERS
    residual, ones = np.full(few, 2.0), np.full(few, 0.01)
    group = np.zeros(few, dtype=np.int64)
    assert not CommonDayEffect().estimate(residual, ones, np.arange(few), group).any()
    more = few + 1
    effect_of_day = CommonDayEffect().estimate(
        np.full(more, 2.0), np.full(more, 0.01), np.arange(more), np.zeros(more, dtype=np.int64)
    )
    assert (effect_of_day > 1.5).all()


def test_the_variance_of_shared_days_is_learned():
    # 400 days, effects of 10 %, 12 machines: the standard error of the variance is about 8 %
    rng = np.random.default_rng(2)
    effect = CommonDayEffect()
    for shared in rng.normal(0.0, 0.1, 400):
        residual = shared + rng.normal(0.0, np.sqrt(0.02), 12)
        effect.estimate(residual, VARIANCE, OWNERS, ONE_GROUP)
    assert effect.variance == pytest.approx(0.01, rel=0.3)


def test_hot_days_set_off_nothing_and_a_fault_beneath_them_is_found():
    hot = {40: 1.6, 41: 1.7, 42: 1.6}
    made = Made(3, raised=(("splicer", "S4", 40, 1.8),), hot=hot)
    days, _ = made.frames()
    plain = chart_losses(days, 1.0, None).days
    adjusted = chart_losses(days, 1.0, None, common_effect=True).days
    three = (plain["day"] >= START + np.timedelta64(40, "D")) & (
        plain["day"] <= START + np.timedelta64(43, "D")
    )
    assert plain.loc[three & (plain["alarm"] == "up"), "splicer"].nunique() > 5
    assert set(adjusted.loc[three & (adjusted["alarm"] == "up"), "splicer"]) <= {"S4"}
    assert (adjusted.loc[adjusted["splicer"] == "S4", "alarm"] == "up").any()
    on_hot = adjusted.loc[adjusted["day"] == START + np.timedelta64(41, "D"), "shared_effect"]
    # y = 3 (1.7^(1/3) - 1) = 0.58 for every stream
    assert on_hot.mean() == pytest.approx(0.58, abs=0.12)
