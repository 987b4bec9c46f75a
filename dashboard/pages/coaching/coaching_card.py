"""Part of a person's page: the coaching log with what changed after each session, and its form."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import html

from arcdrift.analysis.people.before_after import CAUTION
from arcdrift.errors import UsageError
from dashboard import ids
from dashboard.components import card, shown_day
from dashboard.forms import day_field, name_field, typed_day, typed_name, words_field
from dashboard.pages.coaching.sessions import session_line
from dashboard.reading.data import CrewData

Row = Mapping[Hashable, Any]


def coaching_card(data: CrewData, technician: str, days: pd.DataFrame) -> html.Section:
    """Return the card of a person, by the name as shown; ``days`` are rows of their days."""
    return card(
        html.Div(coaching_log(data, technician, days), id=ids.coaching_log(technician)),
        title="Coaching log",
    )


def coaching_log(data: CrewData, technician: str, days: pd.DataFrame) -> list[Any]:
    """Return the sessions, the latest first and in full, and the form."""
    may_write = data.viewer.has_role("trainer")
    notes = data.coaching_notes(technician).sort_values(["held_on", "id"], ascending=False)
    lines = [_note(days, note, may_write=may_write) for _, note in notes.iterrows()]
    earlier = lines[1:]
    return [
        html.Ul(lines[:1], className="finding-list")
        if lines
        else html.P("No session is noted yet.", className="muted"),
        html.P(CAUTION, className="muted hint") if lines else None,
        html.Details(
            [html.Summary(f"{len(earlier):,} earlier"), html.Ul(earlier, className="finding-list")]
        )
        if earlier
        else None,
        _form(technician, data.today().isoformat()) if may_write else None,
    ]


def _note(days: pd.DataFrame, note: pd.Series, *, may_write: bool) -> html.Li:
    held_on = shown_day(str(note["held_on"]))
    return html.Li(
        [
            session_line(days, note),
            html.Div(note["note"]) if note["note"] else None,
            html.Button(
                "Take back",
                id=ids.undo_note(int(note["id"])),
                className="button big",
                **{"aria-label": f"Take back the note of {held_on}: {note['topic']}"},
            )
            if may_write
            else None,
        ],
        className="mark-line",
    )


def _form(technician: str, today: str) -> html.Details:
    return html.Details(
        [
            html.Summary("Note a session", className="button big"),
            html.P(
                "What was gone through together, so that the weeks before and after can be "
                "compared. A note can be taken back.",
                className="muted hint",
            ),
            html.Div(
                [
                    day_field(ids.note_field("day"), "Day", today),
                    words_field(ids.note_field("topic"), "Topic, such as cleaving"),
                    words_field(ids.note_field("note"), "Anything to remember"),
                    name_field(ids.note_field("by")),
                    html.Button(
                        "Write it down",
                        id=ids.note_save(technician),
                        className="button big primary",
                    ),
                ],
                className="written-fields",
            ),
            html.Div(id=ids.note_answer(technician), role="status"),
        ],
        className="note-form",
    )


def typed_note(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Convert a filled form to the arguments of `dashboard.reading.data.CrewData.add_note`.

    Parameters
    ----------
    fields : mapping
        ``day``, ``topic``, ``note`` and ``by`` as typed.

    Raises
    ------
    UsageError
        When the day is missing or none, or the topic or the name is missing.
    """
    day = typed_day(fields.get("day"), "The day")
    if day is None:
        raise UsageError("Give the day.")
    topic, note = (str(fields.get(name) or "").strip() for name in ("topic", "note"))
    by = typed_name(fields.get("by"))
    if not topic or not by:
        raise UsageError("Say what was gone through, and your name.")
    return {"held_on": day, "topic": topic, "note": note, "said_by": by}
