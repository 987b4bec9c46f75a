"""Sentences about what was written down by hand: what it says, and what became of it."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from arcdrift.intake.storing.written_records import WrittenReport

ELECTRODES_CAUTION = (
    "Electrodes carry high voltage: switch the splicer off and take out its battery before you "
    "touch them."
)
BLADE_CAUTION = (
    "Blades are sharp and cleaving leaves glass shards: wear eye protection, and put shards into a "
    "closed container."
)
MANUAL_FIRST = "The maker's manual and local rules come first."
_OUTCOMES = {"pass": "passed", "fail": "failed", "aborted": "aborted"}
_NOUNS = {"arc-checks": "check", "service": "service", "remarks": "remark"}
_COLUMNS = {"arc_setting": "the arc setting", "arc_count": "the arc count"}


def caution_for(action: str) -> str:
    """Return what to beware of at a service action; empty for none."""
    if action == "electrodes replaced":
        return f"{ELECTRODES_CAUTION} {MANUAL_FIRST}"
    return f"{BLADE_CAUTION} {MANUAL_FIRST}" if action.startswith("blade") else ""


def event_text(kind: str, subject: str, values: Mapping[str, Any], unit: str = "") -> str:
    """Describe what was written down, such as ``Heron: check passed, setting 12 steps``.

    Parameters
    ----------
    values : mapping
        Columns that were filled in.
    unit : str
        Unit of the arc setting.
    """
    parts: list[str]
    if kind == "arc-checks":
        parts = [f"check {_OUTCOMES[values['outcome']]}"]
        if values.get("arc_setting") is not None:
            parts.append(f"setting {values['arc_setting']:g} {unit}".strip())
        if values.get("arc_count") is not None:
            parts.append(f"arc count {values['arc_count']:,.0f}")
    elif kind == "service":
        parts = [str(values["action"])]
    else:
        parts = ["remark"]
    if values.get("remark"):
        parts.append(f"“{values['remark']}”")
    return f"{subject}: {', '.join(parts)}"


def report_text(report: WrittenReport, zone: ZoneInfo | None) -> str:
    """Say what became of what was written down, in a sentence or two.

    Parameters
    ----------
    zone : ZoneInfo, optional
        In which times are told; None for UTC.
    """
    noun = _NOUNS[report.kind]
    if report.repeated:
        return (
            f"This {noun} was written down before (entry {report.import_id}); nothing was stored."
        )
    logged = f"{noun.capitalize()} logged for {report.subject}, {_clock(report.happened_at, zone)}"
    if report.logged_at is None:
        return f"{logged} (entry {report.import_id})."
    where = f"{report.log} has it already, at {_clock(report.logged_at, zone)}"
    if report.differs:
        both = " and ".join(
            f"{_COLUMNS.get(name, name)} is {stored:g} there and {typed:g} here"
            for name, (stored, typed) in report.differs.items()
        )
        return (
            f"{logged} (entry {report.import_id}). {where}, and {both}; the log's value counts "
            "until somebody chooses, with `arcdrift quarantine conflicts`."
        )
    return (
        f"Already stored: {where}. It stays one {noun}, and who wrote it down is kept "
        f"(entry {report.import_id})."
    )


def _clock(instant: datetime, zone: ZoneInfo | None) -> str:
    local = instant.astimezone(zone or ZoneInfo("UTC"))
    return f"{local.day} {local:%b %Y %H:%M}" + ("" if zone is not None else " UTC")
