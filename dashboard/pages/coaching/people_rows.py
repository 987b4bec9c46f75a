"""Rows about people as a viewer may see them, and how effects are written in a table."""

from collections.abc import Hashable, Mapping
from datetime import date
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.people.coaching_topics import (
    PersonTopics,
    Rows,
    coaching_topics,
    person_topics,
    with_latest_session,
)
from arcdrift.analysis.people.technician_report import visible_document, visible_rows
from arcdrift.wording import change_text, number_text
from dashboard.components import View, tag
from dashboard.kept_parts import kept_with_results
from dashboard.reading.data import CrewData
from dashboard.url_query import href

Row = Mapping[Hashable, Any]
VERDICTS = {
    "ready": ("✓", "ready"),
    "not yet": ("!", "not yet"),
    "keep practicing": ("…", "keep practicing"),
    "trainer decides": ("?", "the trainer decides"),
}
NO_FIGURE = "no figure yet"
SAME = 0.005
"""Half width of an interval, as a share, under which a figure says nothing: nothing differs."""


def rows_of(view: View, name: str) -> pd.DataFrame:
    """Return the rows of a result table on preparation that may be seen."""
    rows: pd.DataFrame = view.data.keep_with_results(_visible_rows, name)
    return rows


def _visible_rows(data: CrewData, name: str) -> pd.DataFrame:
    return visible_rows(data.people, name, data.result(f"result_{name}"))


def rows_of_person(view: View, name: str, technician: str) -> pd.DataFrame:
    """Return a person's rows of a result table on preparation, by the name as shown."""
    rows = rows_of(view, name)
    column = "name" if name == "people" else "technician"
    if rows.empty or column not in rows.columns:
        return rows.iloc[:0]
    rows = rows[rows[column] == technician]
    return rows[rows["who"] == "technician"] if name == "people" else rows


def document(view: View) -> dict[str, Any]:
    """Return what the last review stored about preparation, as it may be seen."""
    return visible_document(view.data.people, view.data.prep_document())


def _result_rows(view: View) -> Rows:
    """Return the tables that topics for coaching are taken from, without the coaching log."""
    return Rows(
        people=rows_of(view, "people"),
        signatures=rows_of(view, "signatures"),
        hands_by_machine=rows_of(view, "hands_by_machine"),
        cleave_runs=rows_of(view, "cleave_runs"),
        sign_offs=rows_of(view, "sign_offs"),
        person_days=rows_of(view, "person_days"),
        notes=pd.DataFrame(),
    )


def topics_of_everybody(view: View) -> list[PersonTopics]:
    """Return everybody with a topic this week, in order of their names."""
    found = _topics_without_sessions(view, view.data.today())
    notes = view.data.all_coaching_notes() if found else pd.DataFrame()
    return [with_latest_session(person, notes) for person in found]


@kept_with_results
def _topics_without_sessions(view: View, today: date) -> list[PersonTopics]:
    rows = _result_rows(view)
    return coaching_topics(rows, view.data.crew.prep, today) if len(rows.person_days) else []


def topics_of_person(view: View, technician: str) -> PersonTopics:
    """Return what there is to see one person about, by the name as shown."""
    person = _topics_without_session(view, technician, view.data.today())
    return with_latest_session(person, view.data.all_coaching_notes())


@kept_with_results
def _topics_without_session(view: View, technician: str, today: date) -> PersonTopics:
    return person_topics(_result_rows(view), technician, view.data.crew.prep, today)


def person_href(name: str, *, to_show: bool = False) -> str:
    """Return the address of a person's page, or of the page that the person can be shown."""
    return href("/person", technician=name, show="1" if to_show else None)


def name_with_link(name: str, kind: str) -> Any:
    """Return a name with a link to its page, where it has one."""
    if kind == "technician":
        return dcc.Link(name, href=person_href(name))
    if kind == "splicer":
        return dcc.Link(name, href=href("/splicer", splicer=name))
    return html.Span(f"Cleaver {name}")


def effect_cell(row: Row | None) -> list[Any]:
    """Return an effect with its interval, or why there is none."""
    if row is None:
        return [html.Span(NO_FIGURE, className="muted")]
    if row["note"] and not pd.isna(row["note"]):
        return [html.Span(str(row["note"]), className="muted")]
    low, high = (number_text(100 * float(row[end]), signed=True) for end in ("low", "high"))
    return [
        html.Span(change_text(float(row["effect"])), className="share"),
        html.Span(f"{low} to {high}", className="muted aside"),
    ]


def machine_cell(row: Row | None) -> list[Any]:
    """Return an effect of a machine; where nothing at all differs, that it cannot be separated."""
    known = row is not None and not pd.isna(row["low"]) and not pd.isna(row["high"])
    if row is not None and known and abs(float(row["high"]) - float(row["low"])) < 2 * SAME:
        return [html.Span("no difference that can be separated", className="muted")]
    return effect_cell(row)


def ratio_cell(row: Row | None) -> list[Any]:
    """Return a spread over the crew's with its interval, or why there is none."""
    if row is None:
        return [html.Span(NO_FIGURE, className="muted")]
    if row["note"] and not pd.isna(row["note"]):
        return [html.Span(str(row["note"]), className="muted")]
    return [
        html.Span(f"{row['ratio']:.2f}×", className="share"),
        html.Span(f"{row['low']:.2f} to {row['high']:.2f}", className="muted aside"),
    ]


def verdict_tag(verdict: str, more: int) -> Any:
    """Return the tag of a sign-off's verdict."""
    glyph, text = VERDICTS[verdict]
    if verdict == "keep practicing":
        text = f"{text}, about {more} more splice{'' if more == 1 else 's'}"
    return tag(glyph, text, "plain")
