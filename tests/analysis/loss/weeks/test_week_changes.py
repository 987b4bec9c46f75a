"""Changes of a week: coverage on simulated crews with known truth, and exact least squares."""

import os

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.common.chart_states import KeptResults
from arcdrift.analysis.loss.day_level import ratio_of, relative_level
from arcdrift.analysis.loss.weeks.week_changes import (
    COLUMNS,
    FEWEST_DAYS,
    monday_of,
    mondays_until,
    week_changes,
)
from arcdrift.analysis.loss.weeks.week_variances import WeekVariances
from arcdrift.arrays import Floats

LONG = os.environ.get("ARCDRIFT_LONG") == "1"
MONDAY = np.datetime64("2026-11-09")
SHAPE, BETWEEN_SD, CREW_SD, PERSON_SD = 1.4, 0.10, 0.04, 0.10
STREAMS, PEOPLE = 20, 12
FACTORS = np.tile([1.0, 1.0, 1.25, 0.8, 1.6], STREAMS // 5)


def crew(
    seed: int, factors: Floats = FACTORS, weeks: int = 29
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Stream days, who made them, and the streams of a crew whose last week has known factors.

    Losses are gamma; people (mostly one or two to a stream, now and then moved) and days act on
    the charts' scale, as the charts assume.
    """
    rng = np.random.default_rng(seed)
    person = PERSON_SD * rng.standard_normal(PEOPLE)
    home = rng.integers(0, PEOPLE, STREAMS)
    first = MONDAY - 7 * (weeks - 1)
    workday = np.sort(
        (first + 7 * np.arange(weeks)[:, None] + np.arange(5)).ravel()
    )  # Monday to Friday
    used = rng.random((len(workday), STREAMS)) < 0.8
    at, stream = np.nonzero(used)
    size = len(at)
    everybody = CREW_SD * rng.standard_normal(len(workday))
    n = rng.integers(20, 70, size)
    one = np.where(rng.random(size) < 0.25, rng.integers(0, PEOPLE, size), home[stream])
    other = np.where(rng.random(size) < 0.3, rng.integers(0, PEOPLE, size), one)
    by_other = np.where(other == one, 0, n // 3)
    effect = ((n - by_other) * person[one] + by_other * person[other]) / n
    effect += everybody[at] + BETWEEN_SD * rng.standard_normal(size)
    level = 0.03 * (1 + 0.02 * stream)
    level = level * np.where(workday[at] >= MONDAY, factors[stream], 1.0)
    total = rng.gamma(n * SHAPE) * level * ratio_of(effect) / SHAPE
    names = np.array([f"S{number:02d}" for number in range(STREAMS)], dtype=object)
    keys = pd.DataFrame({"splicer": names[stream], "program": "fixed"})
    keys["day"] = pd.to_datetime(workday[at])
    people = np.array([f"P{number}" for number in range(PEOPLE)], dtype=object)
    cells = pd.concat(
        [
            keys.assign(technician=people[one], n=n - by_other),
            keys.assign(technician=people[other], n=by_other)[by_other > 0],
        ],
        ignore_index=True,
    )
    units = pd.DataFrame({"splicer": names, "program": "fixed"})
    return keys.assign(n=n, total=total, capped=total), cells, units


def known(_: np.datetime64) -> WeekVariances:
    return WeekVariances(
        np.full(STREAMS, 1 / SHAPE), np.full(STREAMS, BETWEEN_SD**2), CREW_SD**2, PERSON_SD**2
    )


def test_intervals_hold_the_true_change_and_healthy_crews_rarely_stand_out():
    """95 % intervals over 20 streams of each crew; the truth is that of the simulation."""
    inside, healthy_weeks = [], []
    for seed in range(60 if LONG else 8):
        found = week_changes(*crew(seed), known, [MONDAY])
        streams = found[found["splicer"] != ""].dropna(subset=["change"])
        truth = FACTORS[streams["splicer"].str[1:].astype(int)] - 1.0
        inside += ((streams["low"] <= truth) & (truth <= streams["high"])).tolist()
    for seed in range(100, 160 if LONG else 108):
        found = week_changes(*crew(seed, np.ones(STREAMS)), known, [MONDAY])
        healthy_weeks.append(bool(found.loc[found["splicer"] != "", "stands_out"].any()))
    # binomial: 155 intervals scatter by 1.8 %, 1,100 by 0.7 %
    assert np.mean(inside) == pytest.approx(0.95, abs=0.02 if LONG else 0.04)
    assert np.mean(healthy_weeks) <= (0.12 if LONG else 0.3)


def test_other_hands_are_no_change_of_the_splicer():
    days, cells, units = crew(3, np.ones(STREAMS))
    first = (cells["splicer"] == "S00") & (cells["day"] >= pd.Timestamp(MONDAY))
    at = (days["splicer"] == "S00") & (days["day"] >= pd.Timestamp(MONDAY))
    worst = {"P11": 0.30}
    # somebody known to lose much makes all of the last week, on a splicer that is as it was
    everywhere = cells["technician"] == "P11"
    days = days.merge(
        cells[everywhere].groupby(["splicer", "day"], as_index=False)["n"].sum(),
        on=["splicer", "day"], how="left", suffixes=("", "_worst"),
    )  # fmt: skip
    share = (days["n_worst"].fillna(0.0) / days["n"]).mask(at, 1.0).to_numpy()
    factor = ratio_of(share * worst["P11"])
    days["capped"], days["total"] = days["capped"] * factor, days["total"] * factor
    cells = pd.concat(
        [
            cells[~first],
            cells[first].drop_duplicates(["day"]).assign(
                technician="P11", n=days.loc[at, "n"].to_numpy()
            ),
        ],
        ignore_index=True,
    )  # fmt: skip
    row = week_changes(days, cells, units, known, [MONDAY]).iloc[0]
    assert row["splicer"] == "S00"
    assert row["loss_db"] / row["before_db"] - 1 > 0.2
    assert row["low"] < 0.0 < row["high"]
    assert row["hands_change"] > 0.15


def test_equals_generalized_least_squares_written_out():
    """Dense GLS with V = noise + people + days, levels of streams fixed (no earlier weeks)."""
    days, cells, units = crew(5, weeks=5)
    row = week_changes(days, cells, units, known, [MONDAY]).iloc[4]
    frame = days.merge(units.reset_index(names="stream"), on=["splicer", "program"])
    now = (frame["day"] >= pd.Timestamp(MONDAY)).to_numpy()
    stream = frame["stream"].to_numpy()
    before = frame[~now].groupby("stream")[["capped", "n"]].sum()
    usual = (before["capped"] / before["n"]).to_numpy()[stream]
    n = frame["n"].to_numpy()
    y = relative_level((frame["capped"] / n / usual).to_numpy()) + 1 / SHAPE / n / 3
    people = pd.crosstab(
        [cells["splicer"], cells["day"]], cells["technician"], cells["n"], aggfunc="sum"
    ).fillna(0.0)
    shares = people.loc[pd.MultiIndex.from_frame(frame[["splicer", "day"]])].to_numpy() / n[:, None]
    dates = pd.get_dummies(frame["day"]).to_numpy(float)
    levels = pd.get_dummies(stream + STREAMS * now).to_numpy(float)
    covariance = (
        np.diag(1 / SHAPE / n + BETWEEN_SD**2)
        + PERSON_SD**2 * shares @ shares.T + CREW_SD**2 * dates @ dates.T
    )  # fmt: skip
    inverse = np.linalg.inv(covariance)
    spread = np.linalg.inv(levels.T @ inverse @ levels)
    estimate = spread @ levels.T @ inverse @ y
    contrast = np.zeros(2 * STREAMS)
    contrast[[4, STREAMS + 4]] = -1.0, 1.0
    moved, se = contrast @ estimate, np.sqrt(contrast @ spread @ contrast)
    expected = [
        (1 + (moved + z * se) / (3 + estimate[4])) ** 3 - 1 for z in (0.0, -1.959964, 1.959964)
    ]
    assert row["splicer"] == "S04"
    np.testing.assert_allclose(row[["change", "low", "high"]].astype(float), expected, rtol=1e-6)


def test_only_the_past_counts_and_a_light_week_is_not_compared():
    days, cells, units = crew(7)
    earlier = MONDAY - 14
    whole = week_changes(days, cells, units, known, [earlier])
    cut = pd.Timestamp(earlier + 7)
    past = week_changes(days[days["day"] < cut], cells[cells["day"] < cut], units, known, [earlier])
    pd.testing.assert_frame_equal(whole, past)
    light = (days["splicer"] == "S01") & (days["day"] >= pd.Timestamp(MONDAY))
    few = days[~light | (days["day"] == days.loc[light, "day"].min())]
    found = week_changes(few, cells, units, known, [MONDAY]).set_index("splicer")
    assert found.loc["S01", "days"] == 1 < FEWEST_DAYS
    assert np.isnan(found.loc["S01", "change"])
    assert found.loc["", "splices"] == found["splices"].iloc[:-1].sum()
    excluded = days.assign(excluded=light)
    found = week_changes(excluded, cells, units, known, [MONDAY])
    assert "S01" not in set(found["splicer"])


def test_weeks_begin_on_monday_and_nothing_is_nothing():
    assert monday_of(np.datetime64("2026-11-15")) == np.datetime64("2026-11-09")
    assert monday_of(np.datetime64("1969-12-31")) == np.datetime64("1969-12-29")
    first, last = np.datetime64("2026-10-31"), np.datetime64("2026-11-16")
    assert mondays_until(first, last, 9)[0] == np.datetime64("2026-10-26")
    assert len(mondays_until(first, last, 2)) == 2
    days, cells, units = crew(1, weeks=1)
    alone = week_changes(days, cells, units, known, [MONDAY])
    assert alone["change"].isna().all()
    assert list(week_changes(days[:0], cells[:0], units, known, [MONDAY])) == COLUMNS


def test_weeks_that_were_compared_are_not_compared_again() -> None:
    days, cells, units = crew(9)
    mondays = [MONDAY - 14, MONDAY - 7, MONDAY]
    first = KeptResults()
    earlier = days["day"] < pd.Timestamp(MONDAY + 2)
    week_changes(
        days[earlier], cells[cells["day"] < pd.Timestamp(MONDAY + 2)], units, known, mondays, first
    )
    again = KeptResults(first.used)
    found = week_changes(days, cells, units, known, mondays, again)
    # of the week that went on, the result is a new one
    assert len(again.used.keys() - first.used.keys()) == 1
    pd.testing.assert_frame_equal(found, week_changes(days, cells, units, known, mondays))
    changed = days.assign(capped=days["capped"].where(days.index != 40, days["capped"] * 2))
    late = KeptResults(again.used)
    found = week_changes(changed, cells, units, known, mondays, late)
    pd.testing.assert_frame_equal(found, week_changes(changed, cells, units, known, mondays))
    assert not late.used.keys() & again.used.keys()
