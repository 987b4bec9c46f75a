"""Detection delays and limits, against the loss study, a Markov chain and drawn losses."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq
from scipy.stats import gamma

from arcdrift.analysis.budget.detection_delays import (
    capped_rise,
    chart_plans,
    detection_delays,
    streams_in_use,
)
from arcdrift.analysis.budget.replay_alarms import History
from arcdrift.analysis.common.grouping import category_to_text
from arcdrift.analysis.loss.day_level import LAMBDA, relative_level
from arcdrift.analysis.loss.loss_charts import chart_all
from arcdrift.analysis.people.cleave_angles.angle_charts import ANGLE_DAY_COLUMNS
from arcdrift.analysis.review.result_tables import dated, stream_days
from arcdrift.charts.limits import ewma_limit
from arcdrift.shares import Shares
from tests.analysis.budget.ewma_chain import delay_quantile
from tests.analysis.loss.loss_truth import Made

NO_ANGLES = pd.DataFrame(columns=ANGLE_DAY_COLUMNS)


@pytest.fixture(scope="module")
def studied():
    """Streams as the loss study drew them: shape 0.7-2, 20-90 splices a day, 5-15 % a day."""
    rng = np.random.default_rng(3)
    scatter = []
    for shape in rng.uniform(0.7, 2.0, 100):
        losses = rng.gamma(shape, 1 / shape, 5000)
        cap = 3.5
        for _ in range(5):
            cap = 3.5 * np.minimum(losses, cap).mean()
        capped = np.minimum(losses, cap)
        scatter.append(capped.std() / capped.mean())
    return pd.DataFrame(
        {
            "pace": rng.uniform(20, 90, 100),
            "sd_within": scatter,
            "sd_between": rng.uniform(0.05, 0.15, 100),
        }
    )


def test_days_to_catch_a_rise_are_those_of_the_loss_study(studied):
    # The loss study's own simulator, 40 days of history and lag-1 0.1: median days for rises of
    # 25, 50 and 100 %, and the share of the first not found in 22 days, at one false alarm in
    # 550 points (2 a month over 50 streams) and in 3,300 (over 300).
    widening = np.sqrt(1.08 / 0.92)
    for row, medians, missed in zip(
        detection_delays(studied, widening, [550.0, 3300.0]), [(6, 3, 2), (9, 4, 2)], [0.06, 0.17],
        strict=True,
    ):  # fmt: skip
        assert tuple(delay.median_days for delay in row) == pytest.approx(medians, abs=1)
        assert 1 - row[0].within_month == pytest.approx(missed, abs=0.05)
        assert all(delay.ninety_percent_days >= delay.median_days for delay in row)


@pytest.mark.parametrize("shift", [2.2, pytest.param(3.3, marks=pytest.mark.long), 4.9])
def test_large_shifts_are_caught_as_a_markov_chain_says(shift):
    # A large shift is caught before the baseline learns of it; what is left is the scatter of a
    # mean of 30 days, a factor of 1.02, and t values read as normal ones.
    limit = ewma_limit(LAMBDA, 550.0, sided="one")
    rise, sd_within, pace = 2.0, 0.75, 50.0
    day_sd = relative_level(np.array([capped_rise(rise, sd_within)]))[0] / shift
    stream = pd.DataFrame(
        {"pace": [pace], "sd_within": sd_within,
         "sd_between": np.sqrt(day_sd**2 - sd_within**2 / pace)}
    )  # fmt: skip
    [[delay]] = detection_delays(stream, 1.0, [550.0], rises=[rise])
    chain = [delay_quantile(LAMBDA, limit, shift, probability) for probability in (0.5, 0.9)]
    assert [delay.median_days, delay.ninety_percent_days] == pytest.approx(chain, abs=1)


def test_a_rise_shows_less_in_capped_losses():
    # mean of equally likely quantiles, capped at 3.5 times that mean
    middle = (np.arange(20_000) + 0.5) / 20_000

    def capped(shape: float) -> tuple[np.ndarray, float]:
        losses, cap = gamma.ppf(middle, shape, scale=1.0 / shape), 3.5
        for _ in range(20):
            cap = 3.5 * np.minimum(losses, cap).mean()
        return losses, cap

    def scatter(shape: float) -> float:
        losses, cap = capped(shape)
        return np.minimum(losses, cap).std() / np.minimum(losses, cap).mean()

    losses, cap = capped(brentq(lambda shape: scatter(shape) - 0.75, 0.7, 3.0, xtol=1e-4))
    for rise in (1.25, 1.5, 2.0):
        risen = np.minimum(rise * losses, cap).mean() / np.minimum(losses, cap).mean()
        assert capped_rise(rise, 0.75) == pytest.approx(risen, abs=0.005)
    assert capped_rise(1.0, 0.75) == 1.0


def _history(streams: int, days: int = 30) -> History:
    day = pd.date_range("2026-01-01", periods=days).strftime("%Y-%m-%d")
    rows = pd.DataFrame(
        {"splicer": np.repeat([f"S{i}" for i in range(streams)], days), "program": "a",
         "segment": 0, "site": "Harbor", "day": np.tile(day, streams), "splices": 20,
         "capped": 0.6, "capped_squares": 0.03, "excluded": False}
    )  # fmt: skip
    subjects = pd.DataFrame(columns=["measure", "subject_type", "subject_id", "day"])
    points = pd.DataFrame({"splicer": [], "checked_at": pd.DatetimeIndex([], tz="UTC")})
    return History(rows, subjects, pd.DataFrame(), points, NO_ANGLES)


def test_the_run_length_is_the_pace_over_the_share_of_the_budget():
    history = _history(50)
    plan = {row.name: row for row in chart_plans(history, 5.0, Shares())}
    assert list(plan) == list(Shares.model_fields)
    raised = plan["loss_raised"]
    assert (raised.charts, raised.pace, raised.per_month) == (50, 1100.0, pytest.approx(2.0))
    # 2 a month over 50 streams: one in 550 points, limit 2.904 (loss study, Brook and Evans)
    assert raised.run_length == pytest.approx(550.0)
    assert raised.limit == pytest.approx(2.904, abs=0.001)
    assert np.isnan(plan["dirty"].limit)
    assert plan["rolled_up"].charts == 0
    assert sum(row.per_month for row in plan.values()) == pytest.approx(5.0)


def test_limits_are_those_that_the_charts_were_drawn_with():
    # every chart has every day of less than a month, after which limits may be widened
    days, hands = Made(4, days=20).frames()
    charts = chart_all(days.assign(excluded=False, frozen=False), hands, 2.0, Shares())
    stored = stream_days(charts.streams.days), dated(charts.subject_days, "day"), charts.cells
    history = History(
        *map(category_to_text, stored),  # as the store gives them back
        pd.DataFrame({"splicer": [], "checked_at": pd.DatetimeIndex([], tz="UTC")}), NO_ANGLES,
    )  # fmt: skip
    plan = {row.name: row for row in chart_plans(history, 2.0, Shares())}
    assert [plan[name].charts for name in ("loss_raised", "rolled_up", "scattered")] == [20, 23, 43]
    streams = charts.streams.days
    # the first days, which no expectation is known for, move the pace of what is rolled up a little
    for name, limits, tolerance in (
        ("loss_raised", streams["limit_up"], 1e-6),
        ("loss_lowered", streams["limit_down"], 1e-6),
        ("rolled_up", charts.rolled["limit_up"], 0.03),
        ("scattered", charts.spread["limit_up"], 0.03),
        ("scattered", charts.rolled_spread["limit_up"], 0.03),
    ):
        line = plan[name].limit * np.sqrt(LAMBDA / (2 - LAMBDA))
        assert line == pytest.approx(limits.iloc[-1], rel=tolerance)


def test_only_streams_in_use_count():
    history = _history(2)
    idle = history.stream_days["splicer"] == "S1"
    early = history.stream_days["day"] < "2026-01-05"
    history = replace(history, stream_days=history.stream_days[~idle | early])
    streams = pd.DataFrame(
        {"splicer": ["S0", "S1"], "program": "a", "sd_within": 0.7, "sd_between": 0.1}
    )
    known = streams_in_use(streams, history)
    assert list(known["splicer"]) == ["S0"]
    assert known["pace"].iloc[0] == 20
