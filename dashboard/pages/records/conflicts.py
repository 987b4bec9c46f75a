"""Part of the page Records: rows that say something else than the stored record, side by side."""

import json
from collections.abc import Mapping
from typing import Any, Literal

import pandas as pd
from dash import html

from arcdrift.errors import UsageError
from arcdrift.instants import instant_text
from arcdrift.wording import count_text
from dashboard import ids
from dashboard.components import card
from dashboard.pages.records.file_list import visible_imports
from dashboard.reading.data import CrewData

SHOWN = 20
"""Conflicts shown at a time."""


def visible_conflicts(data: CrewData) -> pd.DataFrame:
    """Return the open conflicts that the viewer may see."""
    rows = data.conflicts()
    return rows[rows["import_id"].isin(visible_imports(data)["id"])]


def conflicts_card(data: CrewData) -> html.Section | None:
    """Return the conflicts; None where there is none."""
    rows = visible_conflicts(data)
    if rows.empty:
        return None
    may = data.viewer.has_role("trainer")
    return card(
        html.P(
            f"{count_text(len(rows), 'row')} of an event that is stored with other values. The "
            "stored ones count until somebody decides; both stay on record."
            + ("" if may else " A trainer or a lead decides."),
            className="muted",
        ),
        html.Div(id=ids.conflict_answer("records"), role="status"),
        html.Div(
            [_conflict(data, row, may) for row in rows.head(SHOWN).to_dict("records")],
            className="conflicts",
        ),
        html.P(f"The first {SHOWN} are shown.") if len(rows) > SHOWN else None,
        title="In conflict",
    )


def _conflict(data: CrewData, row: Mapping[Any, Any], may: bool) -> html.Div:
    record = json.loads(row["record"])
    who = record.get("splicer") or record.get("asset") or record.get("site") or ""
    time = next(record[name] for name in record if name.endswith("_at"))
    at = pd.Timestamp(time).tz_convert(data.zone_of_splicer(who))
    number = int(row["id"])
    names = data.names_of_people()
    values = {
        column: [data.people.written({"": _text(value)}, names)[""] for value in both]
        for column, both in json.loads(row["differs"]).items()
    }
    return html.Div(
        [
            html.P([html.Strong(f"{who}, {instant_text(at)}"),
                    html.Span(f" {row['file_name']}, line {row['line']:,}", className="muted")]),
            html.Table(
                [
                    html.Thead(html.Tr([html.Th(text, scope="col")
                                        for text in ("", "Stored", "In the file")])),
                    html.Tbody(
                        [
                            html.Tr([html.Th(column, scope="row"), html.Td(old), html.Td(new)])
                            for column, (old, new) in values.items()
                        ]
                    ),
                ],
                className="plain-table",
            ),
            html.Div(
                [
                    html.Button("Keep what is stored", id=ids.conflict_keep(number, "old"),
                                className="button big"),
                    html.Button("Take the file's", id=ids.conflict_keep(number, "new"),
                                className="button big"),
                ],
                className="row",
            )
            if may
            else None,
        ],
        className="conflict",
    )  # fmt: skip


def decide(data: CrewData, number: int, choice: Literal["old", "new"], by: str) -> str:
    """Decide a conflict; return what to say.

    Raises
    ------
    UsageError
        When the viewer may not, gives no name, or it was decided before.
    """
    if not by:
        raise UsageError("Say who you are first: type your name above.")
    data.decide_conflict(number, choice, by=by)
    kept = "what is stored stays" if choice == "old" else "the file's values are stored"
    return f"Decided by {by}: {kept}."


def _text(value: Any) -> str:
    return "nothing" if value is None else str(value)
