"""Cases of the invented crew: one of each state, one about a person, and splices to revisit."""

import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from arcdrift.analysis.cases.cases_from_store import find_case, read_cases, state_case
from arcdrift.case import KeptCase
from arcdrift.finding import Finding
from arcdrift.store.cases.kept_cases import keep_cases
from arcdrift.store.database.connect import open_store, writing
from arcdrift.store.results.result_replacement import replace_results
from dashboard.reading.data import CrewData
from tests.dashboard.invented import NOW, finding_rows, findings, results, write_crew

LOSS, CHECKS, HAND, CURED, AIR = (f"{digit}{'0' * 11}" for digit in "12345")
"""Ids: loss of Kestrel, checks of Kestrel, Birch's hand, Heron cured, readings of the site."""
HOSTILE = '<img src=x onerror="alert(1)"> "; DROP TABLE cases; --'


def stamp(days_ago: float) -> str:
    return (NOW - timedelta(days=days_ago)).isoformat().replace("+00:00", "Z")


def document(case_id: str, **changes: Any) -> dict[str, Any]:
    """A case as an analysis finds it: loss of Kestrel, up since nine days."""
    found: dict[str, Any] = {
        "id": case_id, "absorbed": [], "title": "Kestrel, single-mode fixed: loss up 60 %",
        "subject": {"type": "splicer", "id": "Kestrel"}, "cause": "loss",
        "cause_text": "Arc check missed", "severity": "act", "told": True, "measured": True,
        "since": stamp(9), "since_earliest": stamp(11), "since_latest": stamp(8),
        "seen": stamp(6), "until": stamp(0), "until_day": NOW.date().isoformat(),
        "episodes": [{"began": stamp(9), "seen": stamp(6), "until": stamp(0)}], "rate": None,
        "found_actions": [], "workdays": [], "outcomes": {}, "causes": [], "resolution": None,
        "next_step": "Look at the likely causes in order; then splice three test pairs.",
        "findings": [findings()[0].id],
    }  # fmt: skip
    return found | changes


def documents() -> list[dict[str, Any]]:
    service = {"at": stamp(20), "day": (NOW - timedelta(days=20)).date().isoformat(),
               "what": "electrodes replaced", "by": None, "source": "service"}  # fmt: skip
    return [
        document(LOSS),
        document(
            CHECKS, title="Kestrel: check missed or late on 3 of 5 workdays", cause="checks",
            severity="watch", measured=False, seen=stamp(2), findings=[findings()[1].id],
            rate={"what": "missed or late", "unit": "workdays",
                  "share": 0.6, "low": 0.23, "high": 0.88, "usual": 0.05},
            next_step="Run the arc check before the first splice.",
        ),
        document(
            HAND, title="Birch: cleave angles up 40 %", cause="hand", severity="watch",
            subject={"type": "technician", "id": "Birch"}, findings=[about_birch().id],
            seen=stamp(4),
        ),
        document(
            CURED, title="Heron: arc setting up 14 steps", cause="arc", findings=[],
            subject={"type": "splicer", "id": "Heron"}, severity="note",
            found_actions=[service], until=stamp(19),
            until_day=(NOW - timedelta(days=19)).date().isoformat(),
            episodes=[{"began": stamp(40), "seen": stamp(35), "until": stamp(19)}],
            resolution={"how": "cured", "at": stamp(12), "why": "electrodes replaced"},
        ),
        document(
            AIR, title="Harbor: air readings missing", cause="readings", severity="note",
            subject={"type": "site", "id": "Harbor"}, findings=[findings()[2].id], measured=False,
        ),
    ]  # fmt: skip


def about_birch() -> Finding:
    return replace(
        findings()[0], kind="cleave-raised", subject_type="technician", subject_id="Birch",
        summary="Birch: angles are high.", severity="watch",
    )  # fmt: skip


def revisit_rows() -> pd.DataFrame:
    at = [pd.Timestamp(NOW - timedelta(days=days)) for days in (1, 2, 3)]
    return pd.DataFrame(
        {
            "splice_id": [11, 12, 13], "splicer": "Kestrel", "program": "single-mode fixed",
            "site": "Harbor", "location": ["K1/1/2", "=closure 12", None],
            "day": [one.date().isoformat() for one in at], "spliced_at": at,
            "loss_db": [0.45, 0.61, 0.38], "limit_db": 0.3, "told": [True, True, False],
            "made_again": [False, True, False],
            # a splice of the records: Kestrel at =closure 12, 0.02 dB
            "made_again_at": [pd.NaT, pd.Timestamp("2025-06-12 08:00", tz="UTC"), pd.NaT],
        }
    )  # fmt: skip


def crew_with_cases(folder: Path, settings: str = "") -> CrewData:
    """Return the invented crew with its cases."""
    write_crew(folder)
    if settings:
        with (folder / "crew.toml").open("a", encoding="utf-8") as file:
            file.write(settings)
    own = {one["findings"][0]: one["id"] for one in documents() if one["findings"]}
    found = [replace(one, case_id=own[one.id]) for one in [*findings(), about_birch()]]
    rows = [
        {
            "id": one["id"], "cause": one["cause"], "subject_type": one["subject"]["type"],
            "subject_id": one["subject"]["id"], "document": json.dumps(one),
        }
        for one in documents()
    ]  # fmt: skip
    engine = open_store(folder)
    tables = {"findings": finding_rows(found), "result_cases": pd.DataFrame(rows),
              "result_splices_to_revisit": revisit_rows()}  # fmt: skip
    replace_results(engine, results() | tables)
    with writing(engine) as connection:
        keep_cases(connection, [_kept(one) for one in documents()])
    engine.dispose()
    return CrewData(folder)


def _kept(found: dict[str, Any]) -> KeptCase:
    key = (found["cause"], found["subject"]["type"], found["subject"]["id"])
    began, until, seen = (
        datetime.fromisoformat(found[name]) for name in ("since", "until", "seen")
    )
    return KeptCase(found["id"], (key,), began, until, seen, title=found["title"])


def say(folder: Path, case_id: str, action: str, by: str, why: str = "", **more: Any) -> None:
    """Say something about a case from elsewhere, as `arcdrift case` does."""
    engine = open_store(folder)
    state_case(engine, find_case(read_cases(engine), case_id), action, by, why, **more)
    engine.dispose()
