"""Daily checks: hand-made days whose status anyone can verify by reading them."""

import pandas as pd
import pytest

from arcdrift.analysis.checks.daily_checks import daily_checks
from arcdrift.settings import Crew

CREW = Crew.model_validate(
    {
        "name": "invented",
        "time_zone": "America/Denver",
        "sites": {"Harbor": {}, "East": {"time_zone": "America/New_York"}},
    }
)
NOW = pd.Timestamp("2026-09-10T18:00:00Z")


def utc(*local: str, zone: str = "America/Denver") -> pd.Series:
    return (
        pd.Series(pd.to_datetime(list(local)))
        .dt.tz_localize(zone)
        .dt.tz_convert("UTC")
        .dt.as_unit("us")
    )


def checks(
    *rows: tuple[str, str],
    splicer: str = "Heron",
    zone: str = "America/Denver",
    site: str | None = "Harbor",
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "splicer": splicer,
            "checked_at": utc(*(row[0] for row in rows), zone=zone),
            "outcome": [row[1] for row in rows],
            "site": pd.Series([site] * len(rows), dtype="string"),
        }
    )


def splices(
    *times: str,
    splicer: str = "Heron",
    zone: str = "America/Denver",
    site: str | None = "Harbor",
    by: str | None = "Alder",
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "splicer": splicer,
            "spliced_at": utc(*times, zone=zone),
            "site": pd.Series([site] * len(times), dtype="string"),
            "technician": pd.Series([by] * len(times), dtype="string"),
        }
    )


def test_each_status() -> None:
    checks_made = checks(
        ("2026-09-01 07:00", "pass"),
        ("2026-09-02 09:30", "pass"),
        ("2026-09-03 07:00", "fail"),
        ("2026-09-05 07:00", "pass"),
    )
    splices_made = splices(
        "2026-09-01 08:00",
        "2026-09-02 08:00",
        "2026-09-02 09:00",
        "2026-09-02 10:00",
        "2026-09-03 08:00",
        "2026-09-03 08:10",
        "2026-09-04 08:00",
    )
    days = daily_checks(checks_made, splices_made, CREW, NOW).set_index("day")
    table = days["status"].loc["2026-09-01":"2026-09-05"].tolist()
    assert table == ["checked", "late", "failed-only", "missed", "no-work"]
    assert days.loc["2026-09-02", "splices_before_check"] == 2
    assert days.loc[
        "2026-09-03", ["attempts", "failed_attempts", "splices_after_failure"]
    ].tolist() == [1, 1, 2]
    assert days.loc["2026-09-04", "splices"] == 1
    assert days["day_over"].tolist() == [True] * 9 + [False]


def test_a_check_at_the_instant_of_the_first_splice_counts() -> None:
    days = daily_checks(
        checks(("2026-09-01 08:00", "pass")), splices("2026-09-01 08:00"), CREW, NOW
    )
    assert days["status"].iloc[0] == "checked"


def test_running_day_is_due_not_missed() -> None:
    days = daily_checks(checks(), splices("2026-09-10 08:00"), CREW, NOW)
    assert days["status"].tolist() == ["due"]
    assert not days["day_over"].iloc[0]


def test_failure_then_pass_counts_only_splices_between() -> None:
    days = daily_checks(
        checks(("2026-09-01 07:00", "fail"), ("2026-09-01 09:00", "pass")),
        splices("2026-09-01 08:00", "2026-09-01 08:30", "2026-09-01 10:00"),
        CREW,
        NOW,
    )
    row = days.iloc[0]
    assert (row["status"], row["splices_before_check"], row["splices_after_failure"]) == (
        "late",
        2,
        2,
    )


def test_day_is_the_local_day_of_the_site() -> None:
    # 22:30 in New York on the 1st is already the 2nd in UTC
    days = daily_checks(
        checks(("2026-09-01 22:00", "pass"), zone="America/New_York", site="East"),
        splices("2026-09-01 22:30", zone="America/New_York", site="East"),
        CREW,
        NOW,
    )
    assert days["day"].iloc[0] == pd.Timestamp("2026-09-01")
    assert days["status"].iloc[0] == "checked"


def test_night_shift_belongs_to_the_evening_it_began() -> None:
    night = CREW.model_copy(update={"day_starts_at": "12:00"})
    splices_made = splices("2026-09-01 23:00", "2026-09-02 03:00")
    days = daily_checks(checks(("2026-09-01 22:00", "pass")), splices_made, night, NOW)
    first = days.iloc[0]
    assert (first["day"], first["splices"], first["status"]) == (
        pd.Timestamp("2026-09-01"),
        2,
        "checked",
    )


@pytest.mark.parametrize("day", ["2026-11-01", "2026-03-08"])
def test_clock_change_days_are_whole_days(day: str) -> None:
    now = pd.Timestamp("2026-12-01T00:00:00Z")
    splices_made = splices(f"{day} 00:30", f"{day} 23:30")
    days = daily_checks(checks((f"{day} 00:10", "pass")), splices_made, CREW, now)
    assert days.iloc[0]["splices"] == 2


def test_splicers_do_not_share_checks_and_inputs_stay_as_they_were() -> None:
    checks_made = checks(("2026-09-01 07:00", "pass"))
    splices_made = pd.concat(
        [splices("2026-09-01 08:00"), splices("2026-09-01 08:00", splicer="Plover")],
        ignore_index=True,
    )
    before = (checks_made.copy(), splices_made.copy())
    days = daily_checks(checks_made, splices_made, CREW, NOW)
    first = days[days["day"] == "2026-09-01"].set_index("splicer")["status"]
    assert first.to_dict() == {"Heron": "checked", "Plover": "missed"}
    pd.testing.assert_frame_equal(checks_made, before[0])
    pd.testing.assert_frame_equal(splices_made, before[1])


def test_nothing_in_nothing_out() -> None:
    assert daily_checks(checks(), splices(), CREW, NOW).empty
