"""Which result tables hold figures about single people, and what of them a viewer may see.

The pages show names through `arcdrift.people.People`; here the rows of people whom a viewer may
not see at all are dropped before a page gets them. A table that is not named here is refused to
such a viewer.
"""

from typing import NamedTuple

import pandas as pd

from arcdrift.people import SOMEBODY, People


class PeopleColumns(NamedTuple):
    """Where a table names people: a column of names, and the column that says whose they are."""

    name: str
    kind: str = ""


FIGURES = {
    "result_people": PeopleColumns("name", "who"),
    "result_consistency": PeopleColumns("technician"),
    "result_shares": PeopleColumns("technician"),
    "result_person_days": PeopleColumns("technician"),
    "result_shared_work": PeopleColumns("technician"),
    "result_hands_by_machine": PeopleColumns("technician"),
    "result_signatures": PeopleColumns("subject", "subject_type"),
    "result_cleave_runs": PeopleColumns("technician"),
    "result_sign_offs": PeopleColumns("technician"),
    "result_angle_days": PeopleColumns("subject", "subject_type"),
    "result_angle_shifts": PeopleColumns("subject", "subject_type"),
    "result_error_hints": PeopleColumns("subject", "subject_type"),
    "result_error_shares": PeopleColumns("subject", "subject_type"),
    "result_haste": PeopleColumns("technician"),
    "result_holding": PeopleColumns("subject", "subject_type"),
    "result_loss_cells": PeopleColumns("technician"),
    "result_subject_days": PeopleColumns("subject_id", "subject_type"),
}
"""Tables whose rows are figures, about people among others."""
BESIDE = {"result_error_hints": PeopleColumns("apart_from", "apart_type")}
"""Where rows of these tables that stay name people beside their subject; the name is left out."""
RECORDS = ("result_check_days", "result_error_splices", "result_exceptions")
"""Tables that name who did something, as records do: the rows stay, names may not."""
PERSON_EFFECTS = {"result_stream_days": "person_effect", "result_week_changes": "hands_change"}
"""Columns that are a figure about whoever made the splices of a day or a week."""
DOCUMENTS = ("findings", "result_cases", "result_prep")
"""Tables of documents that name people in their sentences.

`StoredResults` has a method for each, which leaves out what may not be seen.
"""
WITHOUT_PEOPLE = (
    "analysis_run",
    "result_agreement",
    "result_air_coverage",
    "result_arc_models",
    "result_arc_points",
    "result_blades",
    "result_clock_stretches",
    "result_crew_days",
    "result_made_again",
    "result_single_limits",
    "result_splices_to_revisit",
    "result_streams",
    "result_worth",
)


def visible_results(people: People, table: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a result table that may reach a page, with the names as stored.

    Raises
    ------
    PermissionError
        When the table holds documents, or it is not known whether it is about people, and the
        viewer may not see all.
    """
    if table in RECORDS:
        return people.renamed(rows)
    if people.sees_everybody:
        return rows
    if (columns := FIGURES.get(table)) is not None:
        names = rows[columns.name].astype(object)
        seen = names.map({name: people.may_see(str(name)) for name in names.dropna().unique()})
        visible = seen.astype("boolean").fillna(False).astype(bool)
        if columns.kind:
            visible |= rows[columns.kind] != "technician"
        rows = rows[visible].reset_index(drop=True)
        if (beside := BESIDE.get(table)) is not None:
            hidden = rows[beside.kind] == "technician"
            hidden &= ~rows[beside.name].map(lambda name: people.may_see(str(name))).astype(bool)
            rows = rows.assign(**{beside.name: rows[beside.name].mask(hidden, SOMEBODY)})
        return rows
    if (column := PERSON_EFFECTS.get(table)) is not None:
        return rows.assign(**{column: float("nan")})
    if table not in WITHOUT_PEOPLE:
        raise PermissionError(f"nobody has said whether {table} is about people")
    return rows
