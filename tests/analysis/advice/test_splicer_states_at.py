"""What is counted live: splices on an unchecked arc, and arcs on the present electrodes."""

import pandas as pd
import pytest

from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.analysis.advice.splicer_state import SplicerState, UncheckedSplices
from arcdrift.analysis.advice.splicer_states_at import splicer_states_at
from arcdrift.settings import Crew

CREW = Crew.model_validate({"name": "invented", "time_zone": "America/Denver"})
NOW = pd.Timestamp("2026-03-02T20:00Z").as_unit("us")  # 13:00 in Denver; the day began at 07:00Z
READINGS = prepare_readings(
    pd.DataFrame(
        {
            "read_at": [NOW], "site": ["Harbor"], "splicer": [None], "temperature_c": [10.0],
            "pressure_hpa": [1000.0], "humidity_pct": [50.0], "pressure_reference": ["station"],
            "source": ["logger"],
        }
    ),
    CREW,
)  # fmt: skip


def times(texts: list[str]) -> pd.Series:
    return pd.Series(pd.to_datetime([f"2026-{text}Z" for text in texts], utc=True)).dt.as_unit("us")


def state(
    checks: list[tuple[str, str, float | None]],
    splices: list[tuple[str, float | None]],
    service: list[tuple[str, str]] | None = None,
) -> SplicerState:
    """State of a splicer from checks (time, outcome, arc count), splices (time, arc count) and
    service (time, action)."""
    service = service or []
    (found,) = splicer_states_at(
        ["Heron"],
        pd.DataFrame(
            {
                "splicer": "Heron", "checked_at": times([row[0] for row in checks]),
                "outcome": [row[1] for row in checks], "site": "Harbor", "arc_setting": 100.0,
                "arc_count": [row[2] for row in checks], "line": range(len(checks)),
                "temperature_c": None, "pressure_hpa": None, "humidity_pct": None,
            }
        ),
        pd.DataFrame(
            {
                "splicer": "Heron", "spliced_at": times([row[0] for row in splices]),
                "program": "plain", "site": "Harbor",
                "arc_count": pd.Series([row[1] for row in splices], dtype="float64"),
            }
        ),
        pd.DataFrame(
            {
                "asset": "Heron", "serviced_at": times([row[0] for row in service]),
                "action": [row[1] for row in service],
            }
        ),
        READINGS, CREW, NOW,
    )  # fmt: skip
    return found


YESTERDAY = ("03-01T14:00", "pass", 100.0)
TODAY = ("03-02T15:00", "pass", 200.0)
MORNING = [("03-02T14:10", 150.0), ("03-02T14:30", 152.0), ("03-02T16:00", 210.0)]


@pytest.mark.parametrize(
    ("checks", "service", "unchecked"),
    [
        ([YESTERDAY], [], (3, "03-02T14:10")),
        # the evening before counts for the day before
        ([], [], (3, "03-02T14:10")),
        ([YESTERDAY, ("03-02T14:00", "fail", 140.0)], [], (3, "03-02T14:10")),
        ([YESTERDAY, TODAY], [], None),
        ([TODAY, ("03-02T15:30", "fail", 201.0)], [], (1, "03-02T16:00")),
        ([TODAY, ("03-02T17:00", "fail", 211.0)], [], None),
        ([TODAY], [("03-02T15:30", "electrodes replaced")], (1, "03-02T16:00")),
        ([TODAY], [("03-02T15:30", "cleaned")], None),
    ],
)
def test_splices_without_a_check_are_counted(checks, service, unchecked) -> None:
    found = state(checks, [("03-02T05:00", 120.0), *MORNING], service).unchecked
    expected = (
        None if unchecked is None else UncheckedSplices(unchecked[0], times([unchecked[1]])[0])
    )
    assert found == expected


def test_a_day_without_splices_has_none_unchecked() -> None:
    found = state([YESTERDAY], [("03-01T16:00", 120.0)])
    assert found.unchecked is None
    assert found.passed_today is False
    assert state([TODAY], MORNING).passed_today is True


@pytest.mark.parametrize(
    ("splices", "service", "arcs"),
    [
        ([("03-02T16:00", 230.0)], [], 230.0),
        ([("03-02T16:00", None)], [], 200.0),
        # three weeks of splices without a check are still counted
        ([("03-02T16:00", 230.0)], [("03-02T15:30", "cleaned")], 230.0),
        # a counter that runs on after a replacement, and one that was reset with it
        ([("03-02T15:10", 210.0), ("03-02T16:00", 215.0)], [("03-02T15:30", "electrodes replaced")],
         5.0),
        ([("03-02T16:00", 3.0), ("03-02T17:00", 6.0)], [("03-02T15:30", "electrodes replaced")],
         6.0),
        # no counts: each splice is one arc at least
        ([("03-02T16:00", None)] * 4, [("03-02T15:30", "electrodes replaced")], 4.0),
        ([], [("03-02T15:30", "electrodes replaced")], 0.0),
    ],
)  # fmt: skip
def test_arcs_on_the_present_electrodes(splices, service, arcs) -> None:
    assert state([TODAY], splices, service).arcs_now == arcs


def test_weeks_without_a_check_still_count_arcs() -> None:
    old = ("02-10T14:00", "pass", 100.0)
    assert state([old], [("02-15T16:00", 180.0)]).arcs_now == 180.0


def test_a_check_without_a_count_does_not_set_the_arcs_back() -> None:
    # written down by hand after two hours of work
    by_hand = ("03-02T16:30", "pass", None)
    found = state([TODAY, by_hand], [("03-02T16:00", 230.0), ("03-02T17:00", 240.0)])
    assert (found.arcs_now, found.last_check.arcs) == (240.0, 230.0)
    replaced = [("03-02T16:10", "electrodes replaced")]
    fresh = state([TODAY, by_hand], [("03-02T16:00", 230.0), ("03-02T17:00", 240.0)], replaced)
    assert fresh.arcs_now == 10.0
