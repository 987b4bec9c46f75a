"""Findings made by hand for tests of cases."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd

from arcdrift.analysis.cases.case_records import CaseRecords
from arcdrift.finding import Cause, Finding, Onset
from arcdrift.settings import Crew

START = datetime(2026, 3, 2, 6, tzinfo=UTC)  # a Monday
CREW = Crew.model_validate({"name": "invented", "time_zone": "UTC"})
DUST = "the splicer itself: dust in the v-grooves or on the lenses, or its electrodes"
EVIDENCE: dict[str, dict[str, Any]] = {
    "loss-raised": {"ratio": 1.45, "alarms": 3},
    "loss-lowered": {"ratio": 0.7, "alarms": 1},
    "loss-dirty": {"share_since": 0.05, "share_expected": 0.01, "alarms": 2},
    "arc-drift": {"unexplained_change": 19.0, "setting_unit": "steps", "alarms": 2},
    "arc-step": {"unexplained_change": 14.0, "setting_unit": "steps", "alarms": 2},
    "cleave-raised": {"angle_change_pct": 34.0, "ended": False},
    "cleave-run": {"runs": 2},
    "service-due": {"service": "cleaned"},
    "electrodes-worn": {"arcs_left": 223},
    "check-failed": {"splices_after_failure": 44},
}


def day(number: float) -> datetime:
    """Instant so many days after the start."""
    return START + timedelta(days=number)


def finding(
    kind: str,
    subject: str = "Dunlin",
    first: float = 0,
    last: float = 10,
    *,
    about: str = "splicer",
    onset: float | None = None,
    cause: str = "",
    severity: Any = "watch",
    **evidence: Any,
) -> Finding:
    """Build a finding that was first alarmed on one day and last seen on another."""
    return Finding(
        kind=kind,
        subject_type=about,
        subject_id=subject,
        since=day(first),
        until=day(last),
        severity=severity,
        evidence=EVIDENCE.get(kind, {}) | evidence,
        next_step="Look at it.",
        assessed_on=day(200),
        onset=None if onset is None else Onset(day(onset), day(onset - 2), day(onset + 2)),
        likely_causes=(Cause(cause, "because", 0.9),) if cause else (),
    )


def records(
    *,
    days: int = 200,
    service: tuple[tuple[str, float, str], ...] = (),
    notes: tuple[tuple[str, str, str], ...] = (),
    check_days: pd.DataFrame | None = None,
    splicers: tuple[str, ...] = ("Dunlin", "Heron"),
) -> CaseRecords:
    """Records of a crew that works from Monday to Friday; each splicer with a cleaver."""
    workdays = pd.bdate_range(START.date(), periods=days * 5 // 7)
    cells = pd.concat(
        [
            pd.DataFrame(
                {
                    "splicer": name, "technician": f"Person {place}", "cleaver": f"C{place}",
                    "program": "plain", "site": "Harbor", "day": workdays,
                }
            )
            for place, name in enumerate(splicers)
        ],
        ignore_index=True,
    )  # fmt: skip
    if check_days is None:
        check_days = cells[["splicer", "day"]].assign(
            splices=40, status="checked", day_over=True,
            first_splice_at=(cells["day"] + pd.Timedelta(hours=8)).dt.tz_localize("UTC"),
            checked_at=(cells["day"] + pd.Timedelta(hours=7)).dt.tz_localize("UTC"),
        )  # fmt: skip
    events = pd.DataFrame(
        {
            "asset": [name for name, _, _ in service],
            "serviced_at": pd.to_datetime([day(at) for _, at, _ in service], utc=True),
            "action": [action for _, _, action in service],
        }
    )
    coaching = pd.DataFrame(
        {
            "technician": [name for name, _, _ in notes],
            "held_on": [on for _, on, _ in notes],
            "topic": [topic for _, _, topic in notes],
            "said_by": "Ash",
        }
    )
    return CaseRecords(cells, check_days, events, coaching, CREW)
