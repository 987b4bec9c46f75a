"""Rows about people as a viewer may see them, and how effects are written in a table."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.people.coaching_topics import Rows
from arcdrift.analysis.people.technician_report import visible_document, visible_rows
from arcdrift.wording import change_text, number_text
from dashboard.components import View, tag
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
    return visible_rows(view.data.people, name, view.data.result(f"result_{name}"))


def document(view: View) -> dict[str, Any]:
    """Return what the last review stored about preparation, as it may be seen."""
    return visible_document(view.data.people, view.data.prep_document())


def topic_rows(view: View) -> Rows:
    """Return the tables that topics for coaching are taken from."""
    return Rows(
        people=rows_of(view, "people"),
        signatures=rows_of(view, "signatures"),
        hands_by_machine=rows_of(view, "hands_by_machine"),
        cleave_runs=rows_of(view, "cleave_runs"),
        sign_offs=rows_of(view, "sign_offs"),
        person_days=rows_of(view, "person_days"),
        notes=view.data.all_coaching_notes(),
    )


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
