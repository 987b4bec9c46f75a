"""Service and blades that are due, counted from the logs by hand."""

import pandas as pd
import pytest

from arcdrift.analysis.maintenance.service_findings import (
    blade_state,
    interval_state,
    service_findings,
    usage_by_hour,
)
from arcdrift.settings import Crew

NOW = pd.Timestamp("2026-06-30T18:00Z")
CREW = Crew(name="Invented", time_zone="Europe/Oslo")


def splices(days: int, per_day: int, *, splicer: str = "Heron", cleaver: str = "C1", end=NOW):
    """Splices two minutes apart from 09:00 UTC on each of the last days."""
    first = end.normalize() - pd.Timedelta(days=days - 1)
    times = [
        first + pd.Timedelta(days=day, hours=9, minutes=2 * n)
        for day in range(days)
        for n in range(per_day)
    ]
    return pd.DataFrame(
        {
            "splicer": splicer,
            "spliced_at": pd.Series(times).dt.as_unit("us"),
            "cleaver": pd.Series([cleaver] * len(times), dtype="string"),
            "blade_position": pd.Series(["4"] * len(times), dtype="string"),
        }
    )


def events(*rows: tuple[str, str, str]) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows), columns=["asset", "serviced_at", "action"])
    return frame.assign(serviced_at=pd.to_datetime(frame["serviced_at"], utc=True).dt.as_unit("us"))


def test_hours_keep_every_splice() -> None:
    use = usage_by_hour(splices(3, 65))
    assert use["splices"].tolist() == [30, 30, 5] * 3
    assert use["at"].iloc[0] == pd.Timestamp("2026-06-28T09:00Z")
    assert use["last"].iloc[-1] == pd.Timestamp("2026-06-30T11:08Z")


def test_cleaves_count_from_the_last_turn_and_over_splicers() -> None:
    use = pd.concat(
        [usage_by_hour(splices(10, 40)), usage_by_hour(splices(10, 10, splicer="Kestrel"))]
    )
    turned = events(("C1", "2026-06-26T06:00Z", "blade rotated"))
    state = blade_state("C1", use, turned, 1000)
    assert state is not None
    assert state.cleaves == 2 * 5 * 50  # five days with 40 + 10 splices, two cleaves each
    assert state.splicers == ("Heron", "Kestrel")
    assert (state.position, state.reached, state.positions_used) == ("4", None, None)


def test_a_position_changed_in_the_log_alone_counts_as_a_turn() -> None:
    log = splices(10, 40)
    log.loc[: 40 * 6 - 1, "blade_position"] = "3"
    state = blade_state("C1", usage_by_hour(log), events(), 1000)
    assert state is not None
    assert state.cleaves == 2 * 4 * 40
    state = blade_state("C1", usage_by_hour(splices(10, 40)), events(), 1000)
    assert state is not None
    assert state.cleaves is None


def test_an_overdue_blade_is_told_from_the_day_it_was_full() -> None:
    turned = events(
        ("C1", "2026-05-01T06:00Z", "blade replaced"), ("C1", "2026-06-10T06:00Z", "blade rotated")
    )
    (found,) = service_findings(usage_by_hour(splices(20, 30)), turned, CREW, NOW)
    # 60 cleaves a day from the 11th on: 1,000 are full on the 17th day, 1,200 by now
    assert found.kind == "service-due"
    assert (found.subject_type, found.subject_id) == ("cleaver", "C1")
    assert found.since.date().isoformat() == "2026-06-27"
    assert found.evidence["cleaves_on_position"] == 1200
    assert found.severity == "watch"
    assert found.summary == (
        "C1 (used with Heron), position 4 of 16: no cleaves left, about 200 over its 1,000 "
        "(as of 2026-06-30)."
    )
    assert "eye protection" in found.next_step


def test_the_last_position_asks_for_a_new_blade() -> None:
    turns = [("C1", "2026-05-01T06:00Z", "blade replaced")]
    turns += [("C1", f"2026-05-{day:02d}T06:00Z", "blade rotated") for day in range(2, 17)]
    (found,) = service_findings(usage_by_hour(splices(20, 40)), events(*turns), CREW, NOW)
    assert found.evidence["service"] == "blade replaced"
    assert found.severity == "act"  # 1,600 cleaves: half as many again
    # where no new blade is on record, the position in the splice log says that it is the last
    log = splices(20, 40).assign(blade_position="16")
    (found,) = service_findings(usage_by_hour(log), events(*turns[1:]), CREW, NOW)
    assert found.evidence["service"] == "blade replaced"
    assert "last position: have a new blade ready" in found.summary
    assert "next position" not in found.next_step


@pytest.mark.parametrize(
    ("when", "days", "share", "reached"),
    [
        ("2026-06-20T18:00Z", 10, 10 / 14, None),
        ("2026-06-10T18:00Z", 20, 20 / 14, "2026-06-24T18:00Z"),
    ],
)
def test_cleaning_by_the_calendar(when: str, days: int, share: float, reached: str | None) -> None:
    state = interval_state(
        "cleaned",
        usage_by_hour(splices(30, 5)),
        events(("Heron", when, "cleaned")),
        CREW,
        NOW,
    )
    assert state.days == pytest.approx(days)
    assert state.share == pytest.approx(share)
    assert state.reached == (None if reached is None else pd.Timestamp(reached))


def test_v_grooves_by_splices_or_days_whichever_comes_first() -> None:
    crew = Crew.model_validate(
        {"name": "Invented", "service": {"v-grooves cleaned": {"days": 90, "splices": 100}}}
    )
    done = events(("Heron", "2026-06-20T18:00Z", "v-grooves cleaned"))
    (found,) = service_findings(usage_by_hour(splices(30, 20)), done, crew, NOW)
    # 20 a day from the 21st on: the hundredth on the 25th
    assert found.since.date().isoformat() == "2026-06-25"
    assert found.evidence["splices_since"] == 200
    assert found.severity == "act"
    assert "v-groove cleaning is due: last done on 2026-06-20, 10 days and 200 splices ago" in (
        found.summary
    )
    assert "(set to every 90 days or 100 splices; as of " in found.summary


def test_nothing_on_record_is_not_due_and_neither_is_an_idle_splicer() -> None:
    assert service_findings(usage_by_hour(splices(30, 5)), events(), CREW, NOW) == []
    idle = usage_by_hour(splices(5, 5, end=pd.Timestamp("2026-06-05T00:00Z")))
    done = events(("Heron", "2026-06-04T18:00Z", "cleaned"))
    assert service_findings(idle, done, CREW, NOW) == []


def test_no_service_log_of_the_future() -> None:
    later = events(("Heron", "2026-07-04T18:00Z", "cleaned"))
    assert interval_state("cleaned", usage_by_hour(splices(3, 5)), later, CREW, NOW).done_at is None
