"""Results of the last review about preparation, limited to what one viewer may see."""

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import pandas as pd

from arcdrift.analysis.people.before_after import CAUTION, before_after
from arcdrift.analysis.people.prep_effects import NO_DIFFERENCE
from arcdrift.people import HIDDEN, PURPOSE, SOMEBODY, People
from arcdrift.settings import Crew

TABLES = (
    "people", "consistency", "shares", "shared_work", "signatures", "cleave_runs", "sign_offs",
    "blades", "error_hints", "error_shares", "holding", "made_again",
)  # fmt: skip
"""Result tables whose rows are part of the report, without the ``result_`` of their names."""


SUBJECT_TABLES = (
    "people",
    "signatures",
    "angle_days",
    "angle_shifts",
    "error_hints",
    "error_shares",
    "holding",
)
"""Those whose rows are about people among others."""


def technician_report(
    tables: Mapping[str, pd.DataFrame],
    document: dict[str, Any],
    person_days: pd.DataFrame,
    notes: pd.DataFrame,
    crew: Crew,
    people: People,
) -> dict[str, Any]:
    """Collect every result about preparation in one dictionary, for scripts and exports.

    Parameters
    ----------
    tables : mapping
        Rows of each result table in `TABLES`, by its name there.
    document : dict
        From `stored_document`.
    person_days : DataFrame
        Rows of ``result_person_days``.
    notes : DataFrame
        Notes of the coaching log.

    Returns
    -------
    dict
        ``purpose``, ``hidden`` (a sentence where people are kept off screens), ``refusal``,
        ``sets``, ``not_told_apart``, ``swaps``, ``shares`` of the crew, ``promises`` of the
        sign-off, and a list of rows for each of `TABLES` and for ``coaching``, whose rows carry
        what changed after them.
    """
    report: dict[str, Any] = {
        "purpose": PURPOSE,
        "hidden": None if people.any_pages else HIDDEN,
        **visible_document(people, document),
    }
    for name in TABLES:
        report[name] = visible_rows(people, name, tables[name])
    report["people"] = report["people"].rename(columns={"connected": "set"})
    report["people"]["stands_out"] = report["people"]["sure"] >= crew.prep.sure
    report["coaching"] = coaching_rows(notes, person_days, people)
    report["coaching_caution"] = CAUTION
    return report


def stored_document(rows: pd.DataFrame) -> dict[str, Any]:
    """Return the document in the one row of ``result_prep``; empty where nothing was reviewed."""
    return {} if rows.empty else dict(json.loads(rows["document"].iloc[0]))


def visible_document(people: People, document: dict[str, Any]) -> dict[str, Any]:
    """Return the document with names as they may be shown, without swaps of hidden people."""
    swaps = [
        swap | {"technician": people.shown(swap["technician"]), "reason": _reason(people, swap)}
        for swap in document.get("swaps", [])
        if people.may_see(swap["technician"])
    ]
    return {**document, "crew_shares": document.get("shares"), "swaps": swaps}


def _reason(people: People, swap: dict[str, Any]) -> str:
    return (
        f"{people.shown(swap['technician'])} on {swap['splicer']} for {swap['days']} days "
        f"(about {swap['splices']} splices)"
    )


def nothing_stands_out(document: dict[str, Any], people: pd.DataFrame) -> tuple[str, bool]:
    """Say that nobody and nothing stands out, or that it cannot be told.

    Parameters
    ----------
    document : dict
        From `stored_document`.
    people : DataFrame
        Rows of ``result_people``.

    Returns
    -------
    sentence : str
    told : bool
        Whether it is an answer; False where there are no figures to judge by.
    """
    figures = people[people["effect"].notna()] if len(people) else people
    no_difference = people[people["note"] == NO_DIFFERENCE] if len(people) else people
    if document.get("refusal"):
        return f"Cannot tell who or what stands out: {document['refusal']}", False
    if figures.empty and no_difference.empty:
        return (
            "Cannot tell who or what stands out: nobody has a figure yet, for lack of days or of "
            "work shared with others.",
            False,
        )
    untold = people[people["effect"].isna() & (people["note"] != NO_DIFFERENCE)]
    names = sorted(set(untold.loc[untold["measure"] == "loss", "name"].astype(str)))
    if names:
        return (
            "Nobody and nothing with a figure stands out from the crew. Cannot tell yet about "
            f"{', '.join(names)}.",
            False,
        )
    return "Nobody and nothing stands out from the crew.", True


def visible_rows(people: People, name: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a result table that may be seen, with names as they may be shown.

    Parameters
    ----------
    name : str
        Name of the table without ``result_``; it says which column holds names of people.
    """
    if name == "error_hints" and len(rows):
        beside = (rows["apart_type"] == "technician") & (rows["apart_from"] != "")
        known = rows["apart_from"].map(
            lambda person: people.shown(person) if people.may_see(person) else SOMEBODY
        )
        rows = rows.assign(apart_from=rows["apart_from"].mask(beside, known))
    if name in SUBJECT_TABLES:
        kind, column = ("who", "name") if name == "people" else ("subject_type", "subject")
        about_people = rows[rows[kind] == "technician"]
        return pd.concat(
            [people.figures(about_people, column), rows[rows[kind] != "technician"]],
            ignore_index=True,
        )
    return people.figures(rows)


def coaching_rows(
    notes: pd.DataFrame, person_days: pd.DataFrame, people: People
) -> list[dict[str, Any]]:
    """Return the notes of the coaching log that may be seen, each with what changed after it.

    Parameters
    ----------
    notes : DataFrame
        ``id``, ``technician``, ``held_on``, ``topic``, ``note``, ``said_by``.
    person_days : DataFrame
        Rows of ``result_person_days``.
    """
    rows = []
    for note in notes.to_dict("records"):
        name = str(note["technician"])
        if not people.may_see(name):
            continue
        days = person_days[person_days["technician"] == name]
        changes = before_after(days, str(note["held_on"])) if len(days) else []
        rows.append(
            {
                "id": int(note["id"]), "technician": people.shown(name),
                "held_on": note["held_on"], "topic": note["topic"], "note": note["note"],
                "by": note["said_by"], "changes": [asdict(change) for change in changes],
            }
        )  # fmt: skip
    return rows
