"""The look-up of what else is on record, on a few rows counted by hand."""

import pandas as pd
import pytest

from arcdrift.analysis.causes.records_near_onset import RecordsNearOnset
from arcdrift.settings import Crew

START = pd.Timestamp("2026-03-02T08:00Z")
DAY = pd.Timedelta(days=1)


def at(*days: float) -> list[pd.Timestamp]:
    return [START + day * DAY for day in days]


SERVICE = pd.DataFrame(
    {
        "asset": ["C1", "s0", "s0", "s1"],
        "action": ["blade rotated", "v-grooves cleaned", "cleaned", "v-grooves cleaned"],
        "serviced_at": at(1.5, 0, 10, 20),
    }
)
USE = pd.DataFrame(
    {
        "splicer": "s0",
        "cleaver": "C1",
        # turned on the service log after day 1, and in the splice log alone before day 4
        "blade_position": ["3", "3", "4", None, "5"],
        "at": at(0, 1, 2, 3, 4),
        "last": at(0, 1, 2, 3, 4),
        "splices": [10, 20, 30, 40, 50],
    }
)
CHECKS = pd.DataFrame(
    {
        "splicer": "s0",
        "status": ["checked", "missed", "failed-only", "late", "no-work"],
        "first_splice_at": [*at(0, 1, 2, 3), pd.NaT],
    }
)


@pytest.fixture
def records() -> RecordsNearOnset:
    nothing = pd.DataFrame({"splicer": [], "program": [], "technician": []})
    return RecordsNearOnset(SERVICE, pd.DataFrame(), nothing, CHECKS, USE, (), Crew(name="made up"))


def test_cleaves_count_two_a_splice_since_the_latest_turn(records: RecordsNearOnset) -> None:
    cleaves = [records.cleaves_on_position("C1", START + day * DAY) for day in (1.2, 2.5, 3.5, 4.5)]
    assert cleaves == [None, 60.0, 140.0, 100.0]
    assert records.cleaves_on_position("C9", START) is None


def test_workdays_without_a_passed_check_are_counted(records: RecordsNearOnset) -> None:
    assert records.unchecked_workdays("s0", START, START + 5 * DAY) == (2, 4)
    assert records.unchecked_workdays("s0", START + 2.5 * DAY, START + 5 * DAY) == (0, 1)
    assert records.unchecked_workdays("s9", START, START + DAY) == (0, 0)


def test_service_is_found_by_asset_and_time_and_its_pace_by_action(
    records: RecordsNearOnset,
) -> None:
    assert records.service_between("s0", START - DAY, START + DAY) == [("v-grooves cleaned", START)]
    # twice, at two splicers, within the 20 days of the log
    assert records.rate_per_day("v-grooves cleaned") == pytest.approx(1 / 20)
    assert records.rate_per_day("never done") == 0.0


def test_what_no_record_tells_is_nothing(records: RecordsNearOnset) -> None:
    assert records.mismatches("s0") is None
    assert records.electrode_arcs("s0", START) is None
    assert records.arc_alarm_between("s0", START, START + DAY) is None
