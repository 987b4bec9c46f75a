"""Rows of an invented crew, of which tests make digests."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

from arcdrift.analysis.cases.case_states import case_view
from arcdrift.case import CaseStatement
from arcdrift.digest.digest import Digest, DigestRows, make_digest

NOW = datetime(2026, 11, 18, 6, 30, tzinfo=UTC)
"""A Wednesday morning."""

YESTERDAY = datetime(2026, 11, 17, tzinfo=UTC)


def at(day: int, hour: int = 12) -> datetime:
    return datetime(2026, 11, day, hour, tzinfo=UTC)


def stamp(instant: datetime) -> str:
    return instant.isoformat().replace("+00:00", "Z")


def found(case_id: str, seen: datetime, **other: Any) -> dict[str, Any]:
    """A case as an analysis found it."""
    began = seen - timedelta(days=2)
    document = {
        "id": case_id, "absorbed": [], "title": f"Dunlin: loss up 45 % since {began.day} Nov",
        "subject": {"type": "splicer", "id": "Dunlin"}, "cause": "loss",
        "cause_text": "dust", "severity": "act", "told": True, "measured": True,
        "since": stamp(began), "since_earliest": None, "since_latest": None, "seen": stamp(seen),
        "until": stamp(seen), "until_day": seen.date().isoformat(),
        "episodes": [{"began": stamp(began), "seen": stamp(seen), "until": stamp(seen)}],
        "rate": None, "found_actions": [], "workdays": [], "resolution": None, "outcomes": {},
        "next_step": "Clean the v-grooves. Wear eye protection.", "findings": [], "causes": [],
    }  # fmt: skip
    return document | other


def said(
    case_id: str, action: str, when: datetime, by: str = "Ash", why: str = "", how: str = ""
) -> CaseStatement:
    return CaseStatement(case_id, action, by, why, when, when, how)


def view(document: dict[str, Any], *statements: CaseStatement) -> dict[str, Any]:
    return case_view(document, statements, NOW)


def check(day: int, splicer: str = "Heron", status: str = "missed") -> dict[str, Any]:
    return {
        "splicer": splicer, "day": date(2026, 11, day).isoformat(), "status": status,
        "splices_before_check": 3,
    }  # fmt: skip


def splice(when: datetime, splice_id: int = 7, state: str = "open", **other: Any) -> dict[str, Any]:
    return {
        "splice_id": splice_id, "splicer": "Dunlin", "program": "plain", "site": "Harbor",
        "location": "K1/7", "day": when.date().isoformat(), "spliced_at": when, "loss_db": 0.45,
        "limit_db": 0.3, "state": state,
    } | other  # fmt: skip


def rows(**parts: Any) -> DigestRows:
    empty: dict[str, Any] = {
        "cases": [], "first_found": {}, "workdays": {}, "check_days": [], "revisit": [],
        "verdicts": dict, "newest_record": NOW - timedelta(hours=14),
    }  # fmt: skip
    return DigestRows(**empty | parts)


def digest(of: DigestRows, since: datetime = YESTERDAY, **other: Any) -> Digest:
    given: dict[str, Any] = {"now": NOW, "zone": "UTC", "crew": "Tarnwater"}
    return make_digest(of, since=since, **given | other)
