"""Before and after coaching: right on known changes, silent on too few splices."""

import os

import numpy as np
import pandas as pd

from arcdrift.analysis.people.before_after import before_after

LONG = os.environ.get("ARCDRIFT_LONG") == "1"


def days(seed, change=0.0, n=40, per_day=40):
    rng = np.random.default_rng(seed)
    day = pd.date_range("2026-03-01", periods=n)
    after = np.arange(n) >= n // 2
    noise = rng.standard_normal(n)
    for number in range(1, n):  # a correlation of 0.2 from day to day
        noise[number] = 0.2 * noise[number - 1] + np.sqrt(0.96) * noise[number]
    return pd.DataFrame(
        {
            "day": day.strftime("%Y-%m-%d"), "splices": per_day,
            "loss_level": 0.1 * noise + change * after, "angle_level": np.nan,
            "angle_spread": 0.3 * np.exp(0.05 * rng.standard_normal(n)),
        }
    )  # fmt: skip


HELD = "2026-03-21"


def test_a_real_change_is_told_with_its_interval():
    loss, angle, spread = before_after(days(1, np.log(0.8)), HELD)
    assert loss.low < -0.2 < loss.high
    assert loss.high < 0
    assert loss.words.startswith("Loss fell ")
    assert angle.change is None
    assert "Too few splices" in angle.words
    assert spread.words.startswith("No change of angle spread that chance could not have made")


def test_the_interval_holds_the_truth_as_often_as_it_says():
    inside, crews = 0, 120 if LONG else 60
    for seed in range(crews):
        loss = before_after(days(1000 + seed, np.log(0.9)), HELD)[0]
        inside += loss.low <= -0.1 <= loss.high
    # at .95, fewer than 104 of 120, or 50 of 60, would happen less than once in a thousand
    assert inside >= (104 if LONG else 50)


def test_nothing_is_concluded_from_too_few():
    few = before_after(days(2, np.log(0.5), n=12), "2026-03-07")[0]
    assert few.change is None
    assert "240 on 6 days before" in few.words
    thin = before_after(days(2, np.log(0.5), per_day=4), HELD)[0]
    assert thin.change is None
    assert before_after(days(2), "2026-09-01")[0].change is None
