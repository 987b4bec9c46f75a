"""Part of the page Records: the files that were imported, and the undoing of an import."""

from typing import Any

import pandas as pd
from dash import html

from arcdrift.errors import UsageError
from arcdrift.instants import instant_text
from dashboard import ids
from dashboard.access.current_user import current_user
from dashboard.components import card, share_table
from dashboard.reading.data import CrewData

SHOWN = 40
"""Imports listed at most; `arcdrift imports` lists all."""
HEADS = (
    ("When", ""), ("File", ""), ("By", "wide-only"), ("Rows", "number"), ("New", "number"),
    ("Known", "number wide-only"), ("In conflict", "number wide-only"), ("Set aside", "number"),
    ("", ""),
)  # fmt: skip


def visible_imports(data: CrewData) -> pd.DataFrame:
    """Return the imports that the viewer may see, the latest first: a technician, their own."""
    imports = data.imports()
    user = current_user()
    if user is None or user.viewer.role != "technician":
        return imports
    return imports[imports["imported_by"] == user.name]


def undo(data: CrewData, number: int) -> str:
    """Undo an import that the viewer may undo; return what to say.

    Raises
    ------
    UsageError
        When the viewer may not, or there is no such import.
    """
    if number not in set(visible_imports(data)["id"]):
        raise UsageError("That import is not yours to undo; ask a trainer or a lead.")
    data.undo_import(number)
    return f"Import {number} was taken back: exactly the rows that it added are gone."


def files_card(data: CrewData) -> html.Section:
    """Return the list of imported files."""
    imports = visible_imports(data)
    if imports.empty:
        return card(html.P("No file was imported yet.", className="muted"), title="Files")
    rows = imports.head(SHOWN).to_dict("records")
    more = len(imports) - len(rows)
    return card(
        html.Div(id=ids.undo_answer("records"), role="status"),
        share_table(HEADS, [_row(data, row) for row in rows], "files wraps"),
        html.P(f"{more:,} earlier ones: `arcdrift imports` lists them.", className="muted hint")
        if more > 0
        else None,
        title="Files",
    )


def _row(data: CrewData, row: dict[Any, Any]) -> html.Tr:
    undone = not pd.isna(row["undone_at"])
    by = "" if pd.isna(row["imported_by"]) else str(row["imported_by"])
    shown_by = data.people.written({"": by}, data.names_of_people())[""]
    numbers = [
        ([f"{row[name]:,}", html.Span(f" {word}", className="phone-only")], kind)
        for name, word, kind in (
            ("rows", "rows", "number"),
            ("accepted", "new", "number"),
            ("already_stored", "known", "number wide-only"),
            ("conflicting", "in conflict", "number wide-only"),
            ("quarantined", "set aside", "number"),
        )
    ]
    at = row["started_at"].tz_convert(data.zone())
    return html.Tr(
        [
            html.Td(instant_text(at), className="when"),
            html.Td(
                [html.Span(row["file_name"], className="file-name"),
                 html.Span(row["kind"], className="aside")]
            ),
            html.Td(shown_by, className="wide-only"),
            *(html.Td(number, className=kind) for number, kind in numbers),
            html.Td("taken back" if undone else _undo_fold(int(row["id"]), row["file_name"])),
        ],
        className="undone" if undone else "",
    )  # fmt: skip


def _undo_fold(number: int, name: str) -> html.Details:
    return html.Details(
        [
            html.Summary("Undo", **{"aria-label": f"Undo the import of {name}"}),
            html.P("Removes exactly the rows that this import added."),
            html.Button("Undo it", id=ids.import_undo(number), className="button big"),
        ],
        className="undo-fold",
    )
