"""Service near the onset of a change, on a few rows counted by hand."""

import pandas as pd

from arcdrift.analysis.common.service_actions import service_near_onset

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


def test_routine_service_and_service_after_the_onset_explain_nothing() -> None:
    assert list(service_near_onset(SERVICE, START + 2 * DAY)["action"]) == [
        "blade rotated",
        "v-grooves cleaned",
    ]
    assert service_near_onset(SERVICE, START - 2 * DAY).empty
    assert service_near_onset(SERVICE, START + 11 * DAY).empty
