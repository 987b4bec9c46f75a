"""What the last review said about preparation, as one viewer may see it."""

import json
from dataclasses import asdict
from typing import Any

import pandas as pd
from sqlalchemy import Engine

from arcdrift.analysis.people.before_after import CAUTION, before_after
from arcdrift.people import HIDDEN, PURPOSE, People
from arcdrift.settings import Crew
from arcdrift.store import coaching, read

TABLES = (
    "people", "consistency", "shares", "shared_work", "signatures", "cleave_runs", "sign_offs",
    "blades",
)  # fmt: skip


def prep_document(engine: Engine) -> dict[str, Any]:
    """The review's own words on prep; empty where nothing was reviewed."""
    rows = read.result(engine, "result_prep")
    return {} if rows.empty else dict(json.loads(rows["document"].iloc[0]))


def prep_told(engine: Engine, crew: Crew, people: People) -> dict[str, Any]:
    """Everything on prep in one shape, for scripts and exports.

    Returns
    -------
    dict
        ``purpose``, ``hidden`` (a sentence where people are kept off screens), ``refusal``,
        ``sets``, ``not_told_apart``, ``swaps``, ``shares`` of the crew, ``promises`` of the
        sign-off, and a list of rows for each of `TABLES` and for ``coaching``, whose rows carry
        what changed after them.
    """
    told: dict[str, Any] = {
        "purpose": PURPOSE,
        "hidden": None if people.any_pages else HIDDEN,
        **document_for(people, prep_document(engine)),
    }
    for name in TABLES:
        told[name] = frame_for(people, name, read.result(engine, f"result_{name}"))
    told["people"] = told["people"].rename(columns={"connected": "set"})
    told["people"]["stands_out"] = told["people"]["sure"] >= crew.prep.sure
    told["coaching"] = coaching_rows(engine, people)
    told["coaching_caution"] = CAUTION
    return told


def document_for(people: People, document: dict[str, Any]) -> dict[str, Any]:
    """The review's words with names as they may be shown."""
    swaps = [
        one | {"technician": people.shown(one["technician"]), "reason": _reason(people, one)}
        for one in document.get("swaps", [])
        if people.may_see(one["technician"])
    ]
    return {**document, "crew_shares": document.get("shares"), "swaps": swaps}


def _reason(people: People, swap: dict[str, Any]) -> str:
    return (
        f"{people.shown(swap['technician'])} on {swap['splicer']} for {swap['days']} days "
        f"(about {swap['splices']} splices)"
    )


def frame_for(people: People, name: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of a result table on prep, only of those who may be seen, by shown name."""
    if name in ("people", "signatures"):
        kind, column = ("who", "name") if name == "people" else ("subject_type", "subject")
        hands = rows[rows[kind] == "technician"]
        return pd.concat(
            [people.figures(hands, column), rows[rows[kind] != "technician"]], ignore_index=True
        )
    return people.figures(rows)


def coaching_rows(engine: Engine, people: People) -> list[dict[str, Any]]:
    """Notes of the coaching log, each with what changed after it."""
    notes = coaching.notes(engine)
    told = []
    for row in notes.to_dict("records"):
        name = str(row["technician"])
        if not people.may_see(name):
            continue
        days = read.result(engine, "result_person_days", technician=name)
        changes = before_after(days, str(row["held_on"])) if len(days) else []
        told.append(
            {
                "id": int(row["id"]), "technician": people.shown(name), "held_on": row["held_on"],
                "topic": row["topic"], "note": row["note"], "by": row["said_by"],
                "changes": [asdict(one) for one in changes],
            }
        )  # fmt: skip
    return told
