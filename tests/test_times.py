"""Clock changes and workdays.

Clock-change instants: America/Denver left daylight time 2026-11-01 08:00 UTC and entered it
2026-03-08 09:00 UTC (Energy Policy Act of 2005: second Sunday of March, first of November,
02:00 local). America/Havana turns back from 01:00 to 00:00 on 2026-11-01 (IANA tz database).
"""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arcdrift.errors import BadInput
from arcdrift.times import day_bounds, local_day, to_utc

DENVER = "America/Denver"


def walls(*texts: str) -> pd.Series:
    return pd.Series(pd.to_datetime(list(texts)).astype("datetime64[us]"))


def hours_utc(utc: pd.Series) -> list[str | None]:
    return [None if pd.isna(t) else t.strftime("%d %H:%M") for t in utc]


def test_plain_times_shift_by_the_offset_of_their_season():
    utc, problem = to_utc(walls("2026-07-01 12:00", "2026-12-01 12:00"), DENVER)
    assert hours_utc(utc) == ["01 18:00", "01 19:00"]
    assert problem.isna().all()
    assert str(utc.dtype) == "datetime64[us, UTC]"


def test_missing_time_stays_missing_without_a_problem():
    utc, problem = to_utc(pd.Series([pd.NaT], dtype="datetime64[us]"), DENVER)
    assert utc.isna().all()
    assert problem.isna().all()


def test_empty_series():
    utc, problem = to_utc(pd.Series([], dtype="datetime64[us]"), DENVER)
    assert len(utc) == len(problem) == 0
    assert str(utc.dtype) == "datetime64[us, UTC]"


def test_skipped_hour_is_named_and_not_moved():
    utc, problem = to_utc(walls("2026-03-08 01:59", "2026-03-08 02:30", "2026-03-08 03:00"), DENVER)
    assert hours_utc(utc) == ["08 08:59", None, "08 09:00"]
    assert problem.isna().tolist() == [True, False, True]
    assert problem[1] == "time-not-existing"


FALL = walls(
    "2026-11-01 00:50", "2026-11-01 01:20", "2026-11-01 01:50", "2026-11-01 01:10",
    "2026-11-01 01:40", "2026-11-01 02:05",
)  # fmt: skip
FALL_UTC = ["01 06:50", "01 07:20", "01 07:50", "01 08:10", "01 08:40", "01 09:05"]


def test_row_order_settles_the_repeated_hour():
    utc, problem = to_utc(FALL, DENVER)
    assert hours_utc(utc) == FALL_UTC
    assert problem.isna().all()


def test_newest_first_file_is_read_backward():
    turned = FALL.iloc[::-1].reset_index(drop=True)
    utc, problem = to_utc(turned, DENVER)
    assert hours_utc(utc) == FALL_UTC[::-1]
    assert problem.isna().all()


def test_order_numbers_settle_shuffled_rows_and_keep_the_index():
    number = pd.Series([10.0, 11, 12, 13, 14, 15])
    shuffle = [4, 1, 5, 0, 3, 2]
    utc, problem = to_utc(FALL[shuffle], DENVER, order=number[shuffle])
    assert utc.index.tolist() == shuffle
    assert hours_utc(utc.sort_index()) == FALL_UTC
    assert problem.isna().all()


def test_order_numbers_outrank_row_order():
    # by row order 01:10 would be the second pass; by its number it came first
    local = walls("2026-11-01 00:10", "2026-11-01 01:50", "2026-11-01 01:10", "2026-11-01 02:10")
    utc, problem = to_utc(local, DENVER, order=pd.Series([1.0, 3, 2, 4]))
    assert hours_utc(utc) == ["01 06:10", None, None, "01 09:10"]
    assert problem.tolist()[1:3] == ["time-ambiguous"] * 2


def test_groups_settle_each_on_its_own():
    local = pd.concat([FALL, FALL[[0, 1, 2, 5]]], ignore_index=True)
    group = pd.Series(["Heron"] * 6 + ["Plover"] * 4)
    shuffle = [0, 6, 1, 7, 2, 8, 3, 4, 9, 5]
    utc, problem = to_utc(
        local[shuffle].reset_index(drop=True), DENVER, group=group[shuffle].reset_index(drop=True)
    )
    heron = (group[shuffle] == "Heron").to_numpy()
    assert hours_utc(utc[heron]) == FALL_UTC
    # nothing jumps back at Plover, so nobody knows which pass its two rows belong to
    assert hours_utc(utc[~heron]) == ["01 06:50", None, None, "01 09:05"]
    assert problem[~heron].tolist()[1:3] == ["time-ambiguous"] * 2


@pytest.mark.parametrize(
    "texts",
    [
        ("01:20", "01:10", "01:50", "01:15"),  # back twice
        ("01:20", "01:40"),  # never back
        ("01:40", "01:20"),  # nothing shows whether the file is oldest first
    ],
)
def test_undecidable_orders(texts):
    utc, problem = to_utc(walls(*(f"2026-11-01 {t}" for t in texts)), DENVER)
    assert utc.isna().all()
    assert (problem == "time-ambiguous").all()


def test_equal_order_numbers_do_not_settle():
    utc, problem = to_utc(FALL[[0, 2, 3, 5]], DENVER, order=pd.Series([1.0, 2, 2, 3], [0, 2, 3, 5]))
    assert problem[[2, 3]].tolist() == ["time-ambiguous"] * 2
    assert utc[[0, 5]].notna().all()


def test_missing_numbers_fall_back_on_row_order():
    utc, problem = to_utc(FALL, DENVER, order=pd.Series([1.0, 2, np.nan, 4, 5, 6]))
    assert hours_utc(utc) == FALL_UTC
    assert problem.isna().all()


def test_two_years_are_two_hours():
    earlier = FALL - pd.Timedelta(days=364)  # 2025-11-02, also a clock-change Sunday
    utc, problem = to_utc(pd.concat([earlier, FALL], ignore_index=True), DENVER)
    assert problem.isna().all()
    assert hours_utc(utc[6:]) == FALL_UTC
    assert utc.is_monotonic_increasing


def test_input_is_not_changed():
    before = FALL.copy()
    to_utc(FALL, DENVER)
    pd.testing.assert_series_equal(FALL, before)


def test_unknown_zone_is_a_sentence():
    with pytest.raises(BadInput, match=r"Mars/Base.*not known; use a name such as"):
        to_utc(FALL, "Mars/Base")


@given(
    st.lists(st.integers(0, 4 * 3600), min_size=1, max_size=40),
    st.sampled_from([DENVER, "Europe/Oslo", "Australia/Lord_Howe", "Europe/Dublin"]),
)
@settings(max_examples=60, deadline=None)
def test_sorted_logs_come_back_or_are_flagged(seconds, zone):
    # instants around the zone's next turn back, written as wall time by zoneinfo
    change = {
        DENVER: datetime(2026, 11, 1, 8, tzinfo=UTC),
        "Europe/Oslo": datetime(2026, 10, 25, 1, tzinfo=UTC),
        "Europe/Dublin": datetime(2026, 10, 25, 1, tzinfo=UTC),
        "Australia/Lord_Howe": datetime(2026, 4, 4, 15, tzinfo=UTC),
    }[zone]
    truth = [change - timedelta(hours=2) + timedelta(seconds=s) for s in sorted(seconds)]
    local = pd.Series(
        [t.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for t in truth], dtype="datetime64[us]"
    )
    utc, problem = to_utc(local, zone, order=pd.Series(np.arange(len(truth), dtype=float)))
    for got, want, code in zip(utc, truth, problem, strict=True):
        assert (code == "time-ambiguous" and pd.isna(got)) or got == want


def test_day_with_clock_change_has_25_hours():
    start, end = day_bounds(date(2026, 11, 1), DENVER, timedelta(0))
    assert start == datetime(2026, 11, 1, 6, tzinfo=UTC)
    assert end - start == timedelta(hours=25)
    start, end = day_bounds(date(2026, 3, 8), DENVER, timedelta(0))
    assert end - start == timedelta(hours=23)


def test_night_shift_belongs_to_the_day_it_began():
    utc, _ = to_utc(walls("2026-07-02 05:59", "2026-07-02 06:00", "2026-07-03 01:00"), DENVER)
    days = local_day(utc, DENVER, timedelta(hours=6))
    assert days.dt.strftime("%m-%d").tolist() == ["07-01", "07-02", "07-02"]
    assert str(days.dtype) == "datetime64[us]"


def test_boundary_in_a_skipped_hour_moves_to_the_end_of_the_gap():
    start, _ = day_bounds(date(2026, 3, 8), DENVER, timedelta(hours=2, minutes=30))
    assert start == datetime(2026, 3, 8, 9, tzinfo=UTC)


@pytest.mark.parametrize("zone", [DENVER, "America/Havana", "Europe/Dublin"])
@pytest.mark.parametrize("offset_min", [0, 30, 90, 360])
def test_local_day_agrees_with_day_bounds(zone, offset_min):
    offset = timedelta(minutes=offset_min)
    utc = pd.Series(pd.date_range("2026-10-20", "2026-11-05", freq="10min", tz="UTC", unit="us"))
    days = local_day(utc, zone, offset)
    assert days.is_monotonic_increasing
    for day, of_day in utc.groupby(days):
        start, end = day_bounds(day.date(), zone, offset)
        assert of_day.min() >= start
        assert of_day.max() < end


def test_local_day_takes_each_row_in_its_own_zone():
    utc = pd.Series(pd.to_datetime(["2026-07-02 03:00"] * 3, utc=True)).astype(
        "datetime64[us, UTC]"
    )
    zones = pd.Series([DENVER, "Europe/Oslo", pd.NA], dtype="str")
    days = local_day(utc, zones, timedelta(0))
    assert days[0] == pd.Timestamp("2026-07-01")
    assert days[1] == pd.Timestamp("2026-07-02")
    assert pd.isna(days[2])


def test_local_day_of_nothing():
    empty = pd.Series([], dtype="datetime64[us, UTC]")
    assert len(local_day(empty, DENVER, timedelta(0))) == 0
    assert len(local_day(empty, pd.Series([], dtype="str"), timedelta(0))) == 0
