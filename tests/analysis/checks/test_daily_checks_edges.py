"""Daily checks at the edges of a day: boundaries, clock changes, places, repeats, people.

Every expectation is read off the times of the case by hand.
"""

import pandas as pd
import pytest

from arcdrift.analysis.checks.daily_checks import daily_checks
from tests.analysis.checks.test_daily_checks import CREW, NOW, checks, splices

EARLY = CREW.model_copy(update={"day_starts_at": "06:00"})
WINTER = pd.Timestamp("2026-12-01T00:00:00Z")


def on(days: pd.DataFrame, day: str) -> pd.Series:
    return days.set_index("day").loc[pd.Timestamp(day)]


# -- the day's boundary at 06:00 -----------------------------------------------------------------


def test_a_night_shift_is_one_workday_up_to_six() -> None:
    done = checks(("2026-09-01 21:50", "pass"))
    made = splices("2026-09-01 22:00", "2026-09-02 00:30", "2026-09-02 05:59")
    days = daily_checks(done, made, EARLY, NOW)
    first = on(days, "2026-09-01")
    assert (first["status"], first["splices"]) == ("checked", 3)
    assert on(days, "2026-09-02")["status"] == "no-work"


def test_the_splice_on_the_boundary_opens_the_new_day() -> None:
    done = checks(("2026-09-01 21:50", "pass"))
    days = daily_checks(done, splices("2026-09-01 22:00", "2026-09-02 06:00"), EARLY, NOW)
    assert on(days, "2026-09-01")["splices"] == 1
    assert on(days, "2026-09-02")["status"] == "missed"


@pytest.mark.parametrize(
    ("checked", "status", "same_shift"),
    [("05:59", "missed", True), ("06:00", "checked", False), ("06:01", "checked", False)],
)
def test_a_check_just_before_the_boundary_counts_for_the_day_before(
    checked: str, status: str, same_shift: bool
) -> None:
    done = checks((f"2026-09-02 {checked}", "pass"))
    days = daily_checks(done, splices("2026-09-02 06:10"), EARLY, NOW)
    day = on(days, "2026-09-02")
    assert (day["status"], day["same_shift"]) == (status, same_shift)


def test_yesterdays_check_is_no_hint_at_the_wrong_boundary() -> None:
    # 22:05 is 8 h 5 min before the first splice, longer than a shift
    done = checks(("2026-09-01 22:05", "pass"))
    day = on(daily_checks(done, splices("2026-09-02 06:10"), EARLY, NOW), "2026-09-02")
    assert (day["status"], day["same_shift"]) == ("missed", False)


def test_at_five_in_the_morning_yesterday_still_runs() -> None:
    five = pd.Timestamp("2026-09-02T11:00:00Z")  # 05:00 in Denver, six hours behind UTC
    made = splices("2026-09-01 22:00")
    (day,) = daily_checks(checks(), made, EARLY, five).to_dict("records")
    assert (day["day"], day["status"], day["day_over"]) == (
        pd.Timestamp("2026-09-01"),
        "due",
        False,
    )
    later = daily_checks(checks(), made, EARLY, five + pd.Timedelta(hours=1))
    assert later["status"].tolist() == ["missed", "no-work"]


# -- clock changes: Denver goes back on 1 November 2026, forward on 8 March -----------------------


def test_the_day_of_25_hours_tells_both_passes_of_one_o_clock_apart() -> None:
    # 01:30 comes twice: 07:30 and 08:30 UTC; the check lies between two splices of the same hour
    made = splices("2026-11-01 00:30", "2026-11-01 23:59")
    twice = pd.Series(pd.to_datetime(["2026-11-01T07:10Z", "2026-11-01T08:50Z"])).dt.as_unit("us")
    made = pd.concat([made, splices("2026-11-01 00:30").assign(spliced_at=twice[0])])
    made = pd.concat([made, splices("2026-11-01 00:30").assign(spliced_at=twice[1])])
    done = checks(("2026-11-01 00:10", "pass")).assign(
        checked_at=pd.Series(pd.to_datetime(["2026-11-01T08:00Z"])).dt.as_unit("us")
    )
    day = on(daily_checks(done, made, CREW, WINTER), "2026-11-01")
    assert (day["status"], day["splices"], day["splices_before_check"]) == ("late", 4, 2)


@pytest.mark.parametrize(
    ("day", "before", "at"),
    # 06:00 is 13:00 UTC in winter time (after the change of 1 November), 12:00 in summer time
    [
        ("2026-11-01", "2026-11-01T12:59Z", "2026-11-01T13:00Z"),
        ("2026-03-08", "2026-03-08T11:59Z", "2026-03-08T12:00Z"),
    ],
)
def test_six_o_clock_is_local_on_the_day_of_the_change(day: str, before: str, at: str) -> None:
    times = pd.Series(pd.to_datetime([before, at])).dt.as_unit("us")
    made = splices("2026-01-01 08:00", "2026-01-01 08:00").assign(spliced_at=times)
    days = daily_checks(checks(), made, EARLY, WINTER)
    assert on(days, day)["splices"] == 1
    assert days.iloc[0]["day"] == pd.Timestamp(day) - pd.Timedelta(days=1)


def test_the_calendar_has_each_day_once_over_both_changes() -> None:
    made = splices("2026-03-07 08:00", "2026-11-02 08:00")
    days = daily_checks(checks(), made, CREW, pd.Timestamp("2026-11-03T01:00Z"))
    assert days["day"].is_unique
    assert len(days) == 241  # 25 days of March, 7 whole months of 214 days, 2 of November
    assert days["day"].diff().dropna().eq(pd.Timedelta(days=1)).all()


# -- two places in one day -----------------------------------------------------------------------


def test_two_sites_in_one_day_are_one_workday_of_the_first() -> None:
    done = checks(("2026-09-01 06:50", "pass"), site="Yard")
    made = pd.concat(
        [splices("2026-09-01 07:00"), splices("2026-09-01 14:00", site="Pass")], ignore_index=True
    )
    day = on(daily_checks(done, made, CREW, NOW), "2026-09-01")
    assert (day["status"], day["splices"], day["site"]) == ("checked", 2, "Harbor")


def test_each_record_takes_the_day_of_its_own_site() -> None:
    # 23:30 in Denver on the 1st is 01:30 in New York on the 2nd
    done = checks(("2026-09-01 08:00", "pass"))
    made = pd.concat(
        [
            splices("2026-09-01 23:30"),
            splices("2026-09-02 01:35", zone="America/New_York", site="East"),
        ],
        ignore_index=True,
    )
    days = daily_checks(done, made, CREW, NOW)
    assert on(days, "2026-09-01")[["status", "site"]].tolist() == ["checked", "Harbor"]
    assert on(days, "2026-09-02")[["status", "site"]].tolist() == ["missed", "East"]


def test_a_day_without_splices_is_where_its_check_was_made() -> None:
    days = daily_checks(
        checks(("2026-09-01 07:00", "pass"), site="Yard"),
        splices("2026-09-02 08:00"),
        CREW,
        NOW,
    )
    assert on(days, "2026-09-01")[["status", "site"]].tolist() == ["no-work", "Yard"]


# -- several checks a day ------------------------------------------------------------------------


def test_the_first_pass_of_several_decides() -> None:
    done = checks(
        ("2026-09-01 06:40", "fail"),
        ("2026-09-01 06:45", "aborted"),
        ("2026-09-01 06:50", "pass"),
        ("2026-09-01 12:00", "pass"),
        ("2026-09-01 15:00", "fail"),
    )
    made = splices("2026-09-01 07:00", "2026-09-01 13:00", "2026-09-01 15:10")
    day = on(daily_checks(done, made, CREW, NOW), "2026-09-01")
    assert day["status"] == "checked"
    assert day["checked_at"] == pd.Timestamp("2026-09-01T12:50Z")  # 06:50 in Denver
    counts = ["attempts", "failed_attempts", "splices_before_check", "splices_after_failure"]
    assert day[counts].tolist() == [5, 3, 0, 1]


def test_a_failed_check_hangs_over_until_the_next_pass_also_over_midnight() -> None:
    done = checks(("2026-09-01 23:00", "fail"), ("2026-09-02 09:00", "pass"))
    made = splices("2026-09-01 23:30", "2026-09-02 00:20", "2026-09-02 08:50", "2026-09-02 09:10")
    days = daily_checks(done, made, CREW, NOW)
    assert on(days, "2026-09-01")[["status", "splices_after_failure"]].tolist() == [
        "failed-only",
        1,
    ]
    assert on(days, "2026-09-02")[["status", "splices_after_failure"]].tolist() == ["late", 2]


def test_an_aborted_repeat_settles_nothing() -> None:
    done = checks(("2026-09-01 07:00", "fail"), ("2026-09-01 07:05", "aborted"))
    day = on(daily_checks(done, splices("2026-09-01 08:00"), CREW, NOW), "2026-09-01")
    assert day[["status", "splices_after_failure"]].tolist() == ["failed-only", 1]
    alone = daily_checks(done.iloc[1:], splices("2026-09-01 08:00"), CREW, NOW)
    assert on(alone, "2026-09-01")[["status", "splices_after_failure"]].tolist() == [
        "failed-only",
        0,
    ]


def test_a_fail_and_its_repeat_in_one_minute_keep_the_order_of_the_log() -> None:
    done = checks(*[("2026-09-01 07:00", "fail")] * 20, ("2026-09-01 07:00", "pass"))
    day = on(daily_checks(done, splices("2026-09-01 08:00"), CREW, NOW), "2026-09-01")
    assert day[["status", "splices_after_failure"]].tolist() == ["checked", 0]


def test_a_running_day_with_only_a_failed_check_is_told_at_once() -> None:
    done = checks(("2026-09-10 07:00", "fail"))
    day = daily_checks(done, splices("2026-09-10 08:00"), CREW, NOW).iloc[0]
    assert (day["status"], bool(day["day_over"])) == ("failed-only", False)


def test_a_running_day_before_its_first_splice_is_no_work_yet() -> None:
    days = daily_checks(checks(), splices("2026-09-09 08:00"), CREW, NOW)
    assert days["status"].tolist() == ["missed", "no-work"]


# -- whose day it is -----------------------------------------------------------------------------


def _by(*people: tuple[str, str | None]) -> pd.DataFrame:
    return pd.concat([splices(f"2026-09-01 {at}", by=who) for at, who in people])


@pytest.mark.parametrize(
    ("people", "whose"),
    [
        # who opened the day is not who worked it
        ([("07:00", "Birch"), ("08:00", "Alder"), ("09:00", "Alder")], "Alder"),
        # equals: whoever began first
        ([("07:00", "Birch"), ("08:00", "Alder")], "Birch"),
        ([("07:00", "Birch"), ("07:00", "Alder")], "Alder"),
        # most of the day is nobody's on record; nobody is held to it
        ([("07:00", "Birch"), ("08:00", None), ("09:00", None)], None),
        ([("07:00", None)], None),
    ],
)
def test_a_day_is_of_who_made_most_of_its_splices(
    people: list[tuple[str, str | None]], whose: str | None
) -> None:
    got = daily_checks(checks(), _by(*people), CREW, NOW).iloc[0]["technician"]
    assert (None if pd.isna(got) else got) == whose
