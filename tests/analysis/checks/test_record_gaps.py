"""Days without records are counted beside the days on which the crew worked."""

from datetime import UTC, datetime, timedelta

from arcdrift.analysis.checks.record_gaps import QUIET_DAYS, Heard, crew_days, record_gap

START = datetime(2025, 3, 3, tzinfo=UTC)


def heard(*days: int) -> Heard:
    at = START + timedelta(days=max(days), hours=9)
    return Heard(at, {int((START + timedelta(days=day)).timestamp() // 86_400) for day in days})


def test_days_on_which_nobody_worked_count_for_nobody() -> None:
    worked = crew_days([heard(0, 1, 2), heard(0, 7, 8)])
    assert len(worked) == 5
    quiet = record_gap(heard(0, 1, 2), worked)
    assert (quiet.quiet, quiet.without, quiet.of) == (2, 2, 5)
    assert not quiet.is_missing
    assert record_gap(heard(0, 7, 8), worked).quiet == 0


def test_a_source_is_missing_after_some_days_of_the_crew() -> None:
    crew = heard(*range(10))
    for last in range(10):
        gap = record_gap(heard(last), crew.days)
        assert gap.quiet == 9 - last
        assert gap.is_missing == (9 - last >= QUIET_DAYS)


def test_readings_of_days_off_are_no_work() -> None:
    gap = record_gap(heard(0, 1, 2, 3, 4, 5), crew_days([heard(0, 4)]))
    assert (gap.quiet, gap.without, gap.of) == (0, 0, 2)
