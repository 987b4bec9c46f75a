"""Wrong splicer clocks: found with their hours and ends, and never where the clock is right.

The truth is what was planted: rows of a simulated crew whose times are moved here.
"""

from functools import cache

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.clock.clock_errors import ClockErrors, crew_start, find_clock_errors
from arcdrift.analysis.clock.count_order import true_order
from arcdrift.clock_bounds import ClockBounds
from arcdrift.simulate import invented_crew, load_plan, simulate_frames
from arcdrift.simulate.crew.fault_plans import add_faults

ZONE = "America/Denver"
DAYS = 120
# a Friday of an ordinary week at 10:48, and a Monday's midnight ten days later
START = pd.Timestamp("2026-09-18 10:48", tz=ZONE)
END = pd.Timestamp("2026-09-28", tz=ZONE)
LOST_POWER = pd.Timestamp("2000-01-01", tz="UTC")


@cache
def crew(seed: int = 3, splicers: int = 2, days: int = DAYS):
    scenario = invented_crew(splicers=splicers, days=days, seed=seed)
    return simulate_frames(scenario), pd.Timestamp(scenario.end).as_unit("us")


def records(seed: int = 3) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Splices and checks of the first splicer."""
    frames, _ = crew(seed)
    name = frames["splices"]["splicer"].iloc[0]
    both = (frames[kind] for kind in ("splices", "arc-checks"))
    splices, checks = (part[part["splicer"] == name].reset_index(drop=True) for part in both)
    return splices, checks


def moved(
    rows: pd.DataFrame, when: str, size: pd.Timedelta, start=START, end=END
) -> tuple[pd.DataFrame, np.ndarray]:
    wrong = (rows[when] >= start) & (rows[when] < end)
    at = rows[when].where(~wrong, rows[when] + size).dt.as_unit("us")
    return rows.assign(**{when: at}), wrong.to_numpy()


def look(splices, checks, now=None, right=()) -> ClockErrors:
    frames, end = crew()
    began = crew_start(frames["arc-checks"], "checked_at")
    return find_clock_errors("Heron", splices, checks, ZONE, now or end, began, right)


@pytest.mark.parametrize(
    "hours",
    [-7, -1, 12, *(pytest.param(hours, marks=pytest.mark.long) for hours in (3, -12, -8760)), 8760],
)
def test_a_moved_clock_is_found_with_its_hours_and_rows(hours):
    splices, checks = records()
    splices, wrong = moved(splices, "spliced_at", pd.Timedelta(hours=hours))
    checks, checks_wrong = moved(checks, "checked_at", pd.Timedelta(hours=hours))
    clock = look(splices, checks)
    (stretch,) = clock.stretches
    assert stretch.shift_h == -hours
    assert abs(stretch.since - START) < pd.Timedelta(hours=1)
    apart = clock.contains(splices, "spliced_at")
    assert not (apart & ~wrong).any()
    # its last day began 35 minutes late: one hour off, it looks as right as wrong
    assert (wrong & ~apart).sum() == (81 if hours == -1 else 0)
    assert (wrong & ~apart).sum() or (clock.contains(checks, "checked_at") == checks_wrong).all()
    assert not stretch.ongoing


def test_a_clock_that_lost_its_power():
    splices, checks = records()
    first = splices.loc[splices["spliced_at"] >= START, "spliced_at"].min()
    splices, wrong = moved(splices, "spliced_at", LOST_POWER - first)
    checks, _ = moved(checks, "checked_at", LOST_POWER - first)
    (stretch,) = look(splices, checks).stretches
    assert stretch.shift_h == round((first - LOST_POWER) / pd.Timedelta(hours=1))
    assert stretch.splices == wrong.sum()


@pytest.mark.parametrize("hours", [-7, 8760])
def test_a_clock_that_is_still_wrong(hours):
    now = START + pd.Timedelta(days=4)
    splices, checks = records()
    splices = splices[splices["spliced_at"] < now].reset_index(drop=True)
    checks = checks[checks["checked_at"] < now].reset_index(drop=True)
    splices, wrong = moved(splices, "spliced_at", pd.Timedelta(hours=hours))
    checks, _ = moved(checks, "checked_at", pd.Timedelta(hours=hours))
    (stretch,) = look(splices, checks, now.tz_convert("UTC")).stretches
    assert stretch.shift_h == -hours
    assert stretch.splices == wrong.sum()
    assert stretch.ongoing


@pytest.mark.parametrize("way", ["arc counts only", "sorted by time", "newest first", "monthly"])
def test_the_order_of_the_log_does_not_matter(way):
    splices, checks = records()
    splices, wrong = moved(splices, "spliced_at", pd.Timedelta(hours=-7))
    checks, _ = moved(checks, "checked_at", pd.Timedelta(hours=-7))
    splices = splices.assign(wrong=wrong)
    if way == "arc counts only":
        splices = splices.drop(columns="splice_number")
    if way == "sorted by time":
        splices = splices.sort_values("spliced_at", kind="stable", ignore_index=True)
        splices = splices.assign(id=np.arange(len(splices)))
    if way == "newest first":
        splices = splices.iloc[::-1].reset_index(drop=True)
        splices = splices.assign(id=np.arange(len(splices)))
    if way == "monthly":  # the later half was imported first
        late = splices["id"] > splices["id"].median()
        splices = splices.assign(import_id=np.where(late, 1, 2))
    clock = look(splices, checks)
    (stretch,) = clock.stretches
    assert stretch.shift_h == 7
    assert (clock.contains(splices, "spliced_at") == splices["wrong"]).all()


@pytest.mark.parametrize(
    "way",
    [
        *(pytest.param(way, marks=pytest.mark.long) for way in ("as it is", "arc counts only")),
        "minutes",
        "days not logged",
        "halves swapped",
    ],
)
def test_a_right_clock_is_left_alone(way):
    # a year: clocks change twice, counts begin anew with the electrodes, people change
    frames, now = crew(seed=11, splicers=4, days=365)
    began = crew_start(frames["arc-checks"], "checked_at")
    for name, splices in frames["splices"].groupby("splicer"):
        checks = frames["arc-checks"][frames["arc-checks"]["splicer"] == name]
        if way == "arc counts only":
            splices = splices.drop(columns="splice_number")
        if way == "minutes":
            splices = splices.assign(spliced_at=splices["spliced_at"].dt.floor("min"))
        if way == "days not logged":
            splices = splices[splices["spliced_at"].dt.day % 6 != 0]
        if way == "halves swapped":
            early = splices["id"] < splices["id"].median()
            splices = splices.assign(import_id=np.where(early, 2, 1)).drop(columns="splice_number")
        assert find_clock_errors(str(name), splices, checks, ZONE, now, began) == ClockErrors(())


def test_nights_rooms_and_weekends_are_no_wrong_clock():
    scenario = add_faults(invented_crew(splicers=6, days=90, seed=9), load_plan("nights-and-rooms"))
    frames = simulate_frames(scenario)
    now = pd.Timestamp(scenario.end).as_unit("us")
    for name, splices in frames["splices"].groupby("splicer"):
        checks = frames["arc-checks"][frames["arc-checks"]["splicer"] == name]
        clock = find_clock_errors(str(name), splices, checks, scenario.time_zone, now)
        assert clock == ClockErrors(())


def test_a_turn_of_late_shifts_is_no_wrong_clock():
    splices, checks = records()
    start, end = END.normalize(), END + pd.Timedelta(days=11)
    later = pd.Timedelta(hours=8)
    splices, _ = moved(splices, "spliced_at", later, start, end)
    checks, _ = moved(checks, "checked_at", later, start, end)
    assert look(splices, checks).stretches == ()


def test_without_counts_only_the_calendar_speaks():
    splices, checks = records()
    bare = splices.assign(splice_number=np.nan, arc_count=np.nan)
    clock = look(moved(bare, "spliced_at", pd.Timedelta(hours=-7))[0], checks)
    assert clock.stretches == ()
    assert clock.unusable_reason == "its log keeps neither splice numbers nor arc counts"
    future, wrong = moved(bare, "spliced_at", pd.Timedelta(days=365))
    (stretch,) = look(future, checks).stretches
    assert stretch.shift_h is None
    assert stretch.splices == wrong.sum()
    old, wrong = moved(bare, "spliced_at", LOST_POWER - START)
    (stretch,) = look(old, checks).stretches
    assert stretch.splices == wrong.sum()


def test_a_few_slips_of_a_log_are_no_wrong_clock():
    splices, checks = records()
    at = splices["spliced_at"].copy()
    at.iloc[[500, 1500, 2500]] -= pd.Timedelta(days=30)
    assert look(splices.assign(spliced_at=at), checks).stretches == ()


def test_counts_that_say_nothing_are_not_used():
    splices, checks = records()
    rng = np.random.default_rng(5)
    shuffled = splices.assign(splice_number=rng.permutation(splices["splice_number"]))
    clock = look(shuffled, checks)
    assert clock.stretches == ()
    assert clock.unusable_reason == "its counts and its times do not run together"


def test_a_clock_said_to_be_right_is_closed():
    splices, checks = records()
    splices, _ = moved(splices, "spliced_at", pd.Timedelta(hours=-7))
    checks, _ = moved(checks, "checked_at", pd.Timedelta(hours=-7))
    (stretch,) = look(splices, checks).stretches
    confirmed = ClockBounds("Heron", stretch.bounds.starts_at, stretch.bounds.ends_at)
    assert look(splices, checks, right=(confirmed,)).stretches == ()


def test_the_frames_are_not_changed():
    splices, checks = records()
    before = splices.copy(), checks.copy()
    look(splices, checks)
    pd.testing.assert_frame_equal(splices, before[0])
    pd.testing.assert_frame_equal(checks, before[1])


def test_a_count_that_begins_anew_opens_an_era():
    # by hand: five arcs to each splice, new electrodes after the twentieth
    at = pd.date_range("2026-05-04 08:00", periods=40, freq="10min", tz="UTC").as_unit("us")
    count = np.r_[np.arange(20), np.arange(20)] * 5.0 + 10
    frame = pd.DataFrame(
        {"id": np.arange(40), "import_id": 1, "spliced_at": at, "arc_count": count}
    )
    order = true_order(frame.sample(frac=1, random_state=1).reset_index(drop=True))
    assert not isinstance(order, str)
    assert list(order.time) == list(at.asi8)
    assert list(np.bincount(order.era)) == [20, 20]


def test_where_the_crew_began():
    at = pd.to_datetime(["2000-01-01", "2026-05-04", "2026-05-05", "2026-05-06"] * 4, utc=True)
    rows = pd.DataFrame({"at": at, "splicer": ["Heron"] * 8 + ["Plover"] * 8})
    alone = rows[(rows["at"] > "2001-01-01") | (rows["splicer"] == "Heron")]
    many = pd.concat([alone.assign(at=alone["at"] + pd.Timedelta(days=9 * n)) if n else alone
                      for n in range(4)])  # fmt: skip
    many = many[(many["at"] > "2001-01-01") | (many["at"] == "2000-01-01")]
    assert crew_start(many, "at") == pd.Timestamp("2026-05-04", tz="UTC")
    assert crew_start(rows, "at") == pd.Timestamp("2000-01-01", tz="UTC")
    assert crew_start(rows.iloc[:0], "at") is None
