"""Findings: repeated signals are one, severity fades."""

from dataclasses import replace

import pandas as pd
import pytest

from arcdrift.analysis.advice.reading_gaps import NO_SITE, reading_gap_findings
from arcdrift.analysis.causes.alarm_attribution import AttributedAlarms
from arcdrift.analysis.causes.loss_findings import loss_findings
from arcdrift.analysis.checks.check_findings import check_findings
from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.analysis.loss.alarm_episodes import Episode
from arcdrift.finding import Cause, Finding
from arcdrift.settings import Crew

NOW = pd.Timestamp("2026-09-30T18:00Z")


def check_days(statuses: list[str], first: str = "2026-09-01") -> pd.DataFrame:
    days = pd.date_range(first, periods=len(statuses))
    worked = [status != "no-work" for status in statuses]
    return pd.DataFrame(
        {
            "splicer": "Heron",
            "day": days,
            "status": statuses,
            "first_splice_at": (days + pd.Timedelta(hours=14)).tz_localize("UTC"),
            "splices": [10 * w for w in worked],
            "splices_before_check": [3 * (status == "late") for status in statuses],
            "failed_attempts": [int(status == "failed-only") for status in statuses],
            "splices_after_failure": [10 * (status == "failed-only") for status in statuses],
            "same_shift": False,
        }
    )


def test_misses_close_together_are_one_finding() -> None:
    days = check_days(
        ["checked", "missed", "checked", "missed", "no-work", "missed"]
        + ["checked"] * 22
        + ["missed"]
    )
    found = check_findings(days, NOW)
    assert [finding.evidence["days"] for finding in found] == [3, 1]
    assert found[0].evidence["workdays_in_span"] == 25
    assert found[0].evidence["splices_without_check"] == 30
    assert found[0].evidence["dates"] == ["2026-09-02", "2026-09-04", "2026-09-06"]
    assert "no arc check on 3 of 25 workdays around then" in found[0].summary


def test_each_kind_of_trouble_has_its_kind() -> None:
    kinds = {
        finding.kind
        for finding in check_findings(check_days(["missed", "late", "failed-only"]), NOW)
    }
    assert kinds == {"check-missed", "check-late", "check-failed"}


def test_due_today_is_no_finding() -> None:
    assert check_findings(check_days(["checked", "due", "no-work"]), NOW) == []


@pytest.mark.parametrize(
    ("age_days", "heavy", "expected"),
    [
        (1, True, "act"),
        (1, False, "watch"),
        (20, True, "watch"),
        (20, False, "note"),
        (90, True, "note"),
    ],
)
def test_severity_fades(age_days: int, heavy: bool, expected: str) -> None:
    assert severity(NOW - pd.Timedelta(days=age_days), NOW, heavy=heavy) == expected


def test_episodes_split_at_long_pauses() -> None:
    times = pd.Series(pd.to_datetime(["2026-01-09", "2026-01-01", "2026-01-03"]))
    assert [list(run) for run in episodes(times, pd.Timedelta(days=3))] == [[1, 2], [0]]


def test_finding_id_is_stable_and_kind_is_known() -> None:
    first, again = (check_findings(check_days(["missed"]), NOW)[0] for _ in range(2))
    assert first.id == again.id
    with pytest.raises(ValueError, match="unknown finding kind"):
        Finding("made-up", "splicer", "Heron", NOW, NOW, "note", {}, "", NOW)


def test_gap_is_one_finding_a_site_and_needs_more_than_a_stray_event() -> None:
    at = pd.to_datetime(["2026-09-02T14:00Z", "2026-09-02T15:00Z", "2026-09-03T14:00Z"])
    airless = pd.DataFrame(
        {"site": ["Harbor"] * 3 + ["Pass"], "at": [*at, pd.Timestamp("2026-09-02T14:00Z")]}
    )
    found = reading_gap_findings(airless, Crew(name="invented"), NOW)
    assert [
        (finding.subject_id, finding.evidence["checks_and_splices_without_air"])
        for finding in found
    ] == [("Harbor", 3)]
    assert "logger" in found[0].next_step


@pytest.mark.parametrize(
    ("site", "summary", "step"),
    [
        (NO_SITE, "3 checks and splices name no site and so have no air", "set home_site under"),
        ("Habor", "Habor: 3 checks and splices have no air", "crew.toml knows no site Habor"),
        ("Harbor", "Harbor: 3 checks and splices have no air", "Look at the site's logger"),
    ],
)
def test_no_logger_is_blamed_for_a_site_that_nobody_knows(
    site: str, summary: str, step: str
) -> None:
    at = pd.to_datetime(["2026-09-02T14:00Z", "2026-09-02T15:00Z", "2026-09-03T14:00Z"])
    crew = Crew.model_validate({"name": "invented", "sites": {"Harbor": {}}})
    (found,) = reading_gap_findings(pd.DataFrame({"site": site, "at": at}), crew, NOW)
    assert found.summary.startswith(summary)
    assert step in found.next_step
    assert ("logger" in found.next_step) == (site == "Harbor")


def test_loss_finding_gives_ratio_onset_and_where_else_it_shows() -> None:
    def day(number: int) -> pd.Timestamp:
        return pd.Timestamp("2026-08-10") + pd.Timedelta(days=number)

    main = Episode(
        "level", "stream", "Heron / a", "up", onset=day(20), earliest=day(19), latest=day(21),
        first=day(25), last=day(25), alarms=1, days_to_alarm=6, before=0.03, after=0.06,
        splices=120,
    )  # fmt: skip
    also = replace(main, subject_type="splicer", subject_id="Heron", last=day(27))
    (finding,) = loss_findings(
        [AttributedAlarms(main, (also,))],
        lambda *_: (Cause("cannot tell", "nothing moved", 1.0),),
        lambda _, at: (at + pd.Timedelta(hours=6)).tz_localize("UTC"),
        NOW,
    )
    assert finding.kind == "loss-raised"
    assert finding.evidence["ratio"] == 2.0
    assert finding.evidence["alarms"] == 2
    assert finding.evidence["also_seen"] == ["Heron, all programs: loss, since 2026-08-30"]
    assert finding.onset is not None
    assert finding.onset.estimate == pd.Timestamp("2026-08-30T06:00Z")
    assert finding.until == pd.Timestamp("2026-09-06T06:00Z")
    assert finding.summary == (
        "Heron, a: loss has risen from 0.030 to 0.060 dB a splice (+100%) since 2026-08-30."
    )
