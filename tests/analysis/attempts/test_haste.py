"""Pace is measured so that haste without effect shows none, and with effect shows it."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from arcdrift.analysis.attempts.haste import haste
from arcdrift.analysis.attempts.stretches import BREAK_MIN, STRETCH, work_stretches
from arcdrift.analysis.common.grouping import text_to_category
from arcdrift.analysis.common.places import find_places
from arcdrift.arrays import Floats
from tests.analysis.attempts.made_up_splices import NO_CAPS, TEXT, days_of, made_up

DAYS, PER_DAY = 70, 45


def _log(rng: np.random.Generator, effect: float) -> pd.DataFrame:
    """Splices of one person whose pace wanders; a place fails more often the faster, by `effect`.

    Ribbon takes longer and fails more often; each attempt made again takes 2 to 6 minutes, and a
    failed one is logged up to 1.5 minutes sooner than a finished one would be.
    """
    parts = []
    for day in range(DAYS):
        # pace of an hour or so: a slow wave, and noise of each place
        wave = 0.35 * np.repeat(rng.standard_normal(PER_DAY // 6 + 1), 6)[:PER_DAY]
        ribbon = np.repeat(rng.random(PER_DAY // 9 + 1) < 0.3, 9)[:PER_DAY]
        gap = np.exp(np.log(5.0) + 0.6 * ribbon + wave + 0.5 * rng.standard_normal(PER_DAY))
        logit = -2.6 + 0.8 * ribbon - effect * wave + 0.4 * rng.standard_normal()
        failed = rng.binomial(1, 1 / (1 + np.exp(-logit))) * rng.integers(1, 3, PER_DAY)
        extra = rng.uniform(2, 6, (PER_DAY, 2))
        extra[np.arange(2)[None, :] >= failed[:, None]] = 0.0
        start = np.cumsum(gap + np.r_[0.0, extra.sum(axis=1)[:-1]])
        times = start[:, None] + np.c_[np.zeros(PER_DAY), np.cumsum(extra, axis=1)]
        made = np.arange(3)[None, :] <= failed[:, None]
        last = np.arange(3)[None, :] == failed[:, None]
        times = times - np.where(last, 0.0, rng.uniform(0, 1.5, last.shape))
        place = np.broadcast_to(np.arange(PER_DAY)[:, None], made.shape)[made]
        parts.append(
            pd.DataFrame(
                {
                    "minute": times[made] + 24 * 60 * day + 7 * 60,
                    "outcome": np.where(last[made], "done", "error"),
                    "program": np.where(ribbon[place], "ribbon", "SM"),
                    "location": [f"{day}/{number}" for number in place],
                    "loss_db": np.where(last[made], rng.gamma(4, 0.03 / 4, made.sum()), np.nan),
                }
            )
        )
    frame = pd.concat(parts, ignore_index=True)
    for name in ("cleave_left_deg", "cleave_right_deg"):
        frame[name] = np.exp(-0.7 + 0.5 * rng.standard_normal(len(frame)))
    at = pd.Timestamp("2026-01-05", tz="UTC") + pd.to_timedelta(frame.pop("minute"), unit="min")
    frame = frame.assign(spliced_at=at.dt.as_unit("us"), splicer="Hemlock", technician="Kestrel",
                         id=np.arange(len(frame)))  # fmt: skip
    texts = [name for name in TEXT if name in frame.columns]
    frame[texts] = frame[texts].astype("str")
    return text_to_category(frame, skip=("location",))


def _stretches(splices: pd.DataFrame) -> pd.DataFrame:
    day = days_of(splices)
    places = find_places(splices, day, np.full(len(splices), 0.2))
    return work_stretches(splices, day, places, NO_CAPS)


def _again(table: pd.DataFrame) -> Floats:
    row = table[table["measure"] == "again"].iloc[0]
    return row[["ratio", "low", "high"]].to_numpy(dtype=np.float64)


def _naive(splices: pd.DataFrame) -> float:
    """Log odds by the thirds of clock hours, with all gaps in them."""
    at = splices["spliced_at"]
    gap = at.diff().dt.total_seconds() / 60
    table = pd.DataFrame({"hour": at.dt.floor("h"), "gap": gap.where(gap <= BREAK_MIN),
                          "again": splices["outcome"] == "error"})  # fmt: skip
    hours = table.groupby("hour").agg(gap=("gap", "mean"), again=("again", "sum"),
                                      n=("again", "size"))  # fmt: skip
    low, high = hours["gap"].quantile([1 / 3, 2 / 3])
    odds = []
    for rows in (hours["gap"] <= low, hours["gap"] >= high):
        share = hours.loc[rows, "again"].sum() / hours.loc[rows, "n"].sum()
        odds.append(np.log(share / (1 - share)))
    return float(odds[0] - odds[1])


@pytest.mark.parametrize("runs", [25, pytest.param(250, marks=pytest.mark.long)])
def test_no_effect_shows_none_and_the_interval_covers_it(runs: int) -> None:
    rng = np.random.default_rng(6)
    logs, covered, naive = [], 0, []
    for _ in range(runs):
        splices = _log(rng, 0.0)
        ratio, low, high = _again(haste(_stretches(splices)))
        logs.append(np.log(ratio))
        covered += low <= 1.0 <= high
        naive.append(_naive(splices))
    error = np.std(logs) / np.sqrt(runs)
    assert abs(np.mean(logs)) < 3 * error
    # not below the 0.1 % point of the binomial at 95 %
    assert covered >= binom(runs, 0.95).ppf(0.001)
    # hours with all of their gaps show an effect where there is none
    assert abs(np.mean(naive)) > 3 * np.std(naive) / np.sqrt(runs)


def test_haste_that_matters_is_seen() -> None:
    rng = np.random.default_rng(3)
    found = [_again(haste(_stretches(_log(rng, 3.0)))) for _ in range(4)]
    assert all(ratio > 1 for ratio, _, _ in found)
    assert sum(low > 1 for _, low, _ in found) >= 3


def test_gaps_that_are_measured() -> None:
    minutes = ["08:00", "08:05", "08:12", "08:15", "08:25", "09:10", "09:18"]
    rows = [{"at": at, "location": f"L{number}"} for number, at in enumerate(minutes)]
    rows[2] |= {"outcome": "error", "loss_db": np.nan}  # made again at 08:15
    rows[3] |= {"location": "L2"}
    table = _stretches(made_up(rows))
    # 5 minutes; none around the place that was made again, none over the break, then 8
    assert table["gaps"].tolist() == [1, 1]
    assert table["log_gap"].to_numpy() == pytest.approx([np.log(5), np.log(8)])
    assert table["places"].tolist() == [4, 2]
    assert table["right"].tolist() == [3, 2]


def test_stretches_are_counted_in_places() -> None:
    rows = [{"at": f"{8 + number // 10:02d}:{number % 10 * 6:02d}"} for number in range(20)]
    table = _stretches(made_up(rows))
    assert table["places"].tolist() == [STRETCH, STRETCH, 20 - 2 * STRETCH]


def test_nobody_without_a_name_and_nothing_with_few_stretches() -> None:
    splices = made_up([{"at": "08:00", "technician": None}, {"at": "08:04", "technician": None}])
    assert _stretches(splices).empty
    assert haste(_stretches(splices)).empty
    assert haste(_stretches(made_up([{"at": "08:00"}, {"at": "08:04"}]))).empty
