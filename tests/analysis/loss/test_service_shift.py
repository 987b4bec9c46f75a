"""Baselines survive service: nothing is unjudged, and a rise just after it is found."""

from functools import cache

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.loss.day_level import ChartGroup
from arcdrift.analysis.loss.sequential_ewma import chart_groups
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS, ServiceShifts
from arcdrift.analysis.loss.stream_days import CALIBRATION_DAYS

DAYS, EVERY, REPLACED = 330, 45, EVENT_COLUMNS[0]
START = pd.Timestamp("2025-01-06")
CAP = 0.14


@cache
def streams(
    seed: int, *, shift: float = 0.05, count: int = 40, rise: float = 1.0, after: int = 0
) -> pd.DataFrame:
    """Days of streams whose electrodes are replaced every 45 days, each moving the level.

    Losses are gamma of mean 0.04 dB with 10 % between days, as in the simulation study. With a
    `rise`, losses of every fourth stream rise for good `after` days after its third replacement;
    ``onset`` is that day, and missing for the others.
    """
    rng = np.random.default_rng(seed)
    day = np.arange(DAYS)
    parts = []
    for number in range(count):
        replaced = (day + int(rng.integers(EVERY))) // EVERY
        replaced -= replaced[0]
        moves = np.concatenate([[0.0], rng.normal(0.0, shift, int(replaced[-1]))])
        level = np.cumsum(moves)[replaced] + rng.normal(0.0, 0.10, DAYS)
        onset = int(np.argmax(replaced == 3)) + after if number % 4 == 0 else DAYS
        mean = 0.04 * np.exp(level) * np.where(day >= onset, rise, 1.0)
        n = rng.integers(25, 70, DAYS)
        losses = np.minimum(rng.gamma(1.2, np.repeat(mean, n) / 1.2), CAP).round(2)
        edges = np.r_[0, np.cumsum(n)[:-1]]
        parts.append(
            pd.DataFrame(
                {
                    "splicer": f"S{number}", "program": "a", "site": "Moor", "n": n,
                    "day": START + pd.to_timedelta(day, "D"),
                    "onset": START + pd.Timedelta(onset, "D") if onset < DAYS else pd.NaT,
                    "total": np.add.reduceat(losses, edges), "cap": CAP, "segment": replaced,
                    "capped_squares": np.add.reduceat(losses**2, edges),
                    **dict.fromkeys(EVENT_COLUMNS, 0),
                }
            ).assign(**{REPLACED: replaced})
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True).assign(capped=lambda days: days["total"])


def test_how_far_service_moves_a_level_is_learned():
    # estimates over seeds scatter by about 0.01
    for shift, low, high in ((0.0, 0.0, 0.04), (0.05, 0.03, 0.07), (0.10, 0.07, 0.13)):
        charts = chart_groups([ChartGroup(streams(1, shift=shift), 2.0, None)])[0]
        learned, events = charts.service_shift["electrodes replaced"]
        assert low < learned < high
        assert events > 150
        assert charts.service_shift["factory service"] == (pytest.approx(0.10), 0)


def test_moments_of_known_moves_give_their_variance():
    rng = np.random.default_rng(3)
    shifts = ServiceShifts(1)
    noise = np.full(20_000, 0.03**2)
    moves = rng.normal(0.0, 0.08, len(noise)) + rng.normal(0.0, 0.03, len(noise))
    kind = np.zeros(len(noise), dtype=np.int64)
    shifts.learn(kind, kind, moves, noise)
    assert np.sqrt(shifts.variance[0, 0]) == pytest.approx(0.08, rel=0.02)
    assert shifts.events[0, 0] == len(noise)


def test_one_fault_after_service_teaches_little():
    shifts = ServiceShifts(1)
    kind = np.zeros(1, dtype=np.int64)
    shifts.learn(kind, kind, np.array([2.0]), np.array([0.0]))
    # (8 x 0.1^2 + 9 x 0.1^2) / 9
    assert shifts.variance[0, 0] == pytest.approx(0.17 / 9)


def test_no_day_is_unjudged_after_service():
    days = chart_groups([ChartGroup(streams(2), 2.0, None)])[0].days
    ordinal = days.sort_values("day").groupby("splicer").cumcount()
    assert days["z"].notna().equals(ordinal.sort_index() >= CALIBRATION_DAYS)


@pytest.mark.parametrize(
    ("after", "least"),
    [
        pytest.param(0, 0.85, marks=pytest.mark.long),
        (4, 0.9),
        pytest.param(20, 0.9, marks=pytest.mark.long),
    ],
)
def test_a_lasting_rise_near_a_replacement_is_found(after, least):
    found = planted = 0
    for seed in (4, 5, 6):
        days = streams(seed, rise=1.7, after=after)
        charted = chart_groups([ChartGroup(days, 2.0, None)])[0].days
        since = charted[charted["day"] >= charted["onset"]]
        first = since[since["alarm"] == "up"].groupby("splicer")["day"].min()
        onset = days.dropna(subset=["onset"]).groupby("splicer")["onset"].first()
        found += int(((first - onset).dt.days < 10).sum())
        planted += len(onset)
    # the study found 94 to 98 % within ten workdays; thirty streams scatter by about 4 points
    assert found / planted >= least


def test_healthy_streams_keep_their_budget_through_service():
    alarms = months = 0.0
    for seed in (5, 6):
        days = chart_groups([ChartGroup(streams(seed, count=40), 2.0, None)])[0].days
        alarms += (days["alarm"] == "up").sum()
        months += DAYS / 22
    # 60 alarms are allowed; their number scatters by about 8
    assert 0.5 < alarms / (2.0 * months) < 1.25
