"""The Coaching page: whom to see about what this week, sessions and their results, then the rest.

Nobody is ranked: people stand in order of their names.
"""

from typing import Any

import pandas as pd
from dash import html

from arcdrift.analysis.attempts.hints.hint_words import hints_of
from arcdrift.analysis.people.technician_report import nothing_stands_out
from arcdrift.people import HIDDEN, PURPOSE
from arcdrift.wording import count_text
from dashboard.components import View, card, csv_button, heading, notice
from dashboard.pages.attempts.hint_cards import all_hints, hint_list
from dashboard.pages.coaching import everybody
from dashboard.pages.coaching.everybody import (
    everybody_folded,
    machines_card,
    risen_cards,
    volume_picture,
)
from dashboard.pages.coaching.people_rows import document, rows_of, topics_of_everybody
from dashboard.pages.coaching.sessions import sessions_card
from dashboard.pages.coaching.topic_cards import person_card, person_row

FOLDED = everybody.FOLDED
MOST_CARDS = 6
"""People up to whom each has a card; more have a row each."""
TABLES = {
    "people": lambda view: rows_of(view, "people"),
    "evenness": lambda view: rows_of(view, "consistency"),
    "volume": lambda view: volume_picture(view).table,
    "shared-work": lambda view: rows_of(view, "shared_work"),
    "standing-out": lambda view: rows_of(view, "signatures"),
    "by-machine": lambda view: rows_of(view, "hands_by_machine"),
    "practice": lambda view: rows_of(view, "sign_offs"),
    "angles": lambda view: rows_of(view, "angle_days"),
    "hints": lambda view: all_hints(view),
}


def render(view: View) -> html.Div:
    """Return the page."""
    if not view.data.people.any_pages:
        return html.Div(
            [
                heading("Coaching", "Splicers and cleavers only."),
                notice(HIDDEN),
                machines_card(view),
                *risen_cards(view),
            ]
        )
    found = topics_of_everybody(view)
    hands, person_days = rows_of(view, "hands_by_machine"), rows_of(view, "person_days")
    line = (
        f"{count_text(len(found), 'person') if len(found) == 1 else f'{len(found)} people'} to see "
        "this week, by name."
        if found
        else "Nobody to see about anything this week."
    )
    return html.Div(
        [
            heading("Coaching", line),
            card(
                html.Ul([person_row(person) for person in found], className="topic-rows"),
                title="Whom to see about what",
            )
            if len(found) > MOST_CARDS
            else html.Div(
                [
                    person_card(
                        view,
                        person,
                        _of(hands, person.technician),
                        _of(person_days, person.technician),
                    )
                    for person in found
                ],
                className="topic-cards",
            )
            if found
            else _nobody(view),
            _comparability(document(view)) if found else None,
            _hints(view),
            sessions_card(view, view.data.all_coaching_notes(), person_days),
            everybody_folded(view),
            html.P(PURPOSE, className="muted hint purpose"),
            html.Div(
                csv_button("/coaching", "standing-out", view.query, "what stands out"),
                className="row",
            ),
        ]
    )


def people_hints(view: View) -> pd.DataFrame:
    """Return what errors point to about people."""
    hints = hints_of(all_hints(view), "crew", "")
    return hints[hints["subject_type"] == "technician"] if len(hints) else hints


def _hints(view: View) -> html.Section | None:
    hints = people_hints(view)
    if hints.empty:
        return None
    return card(
        hint_list(view, hints),
        title="What errors point to",
        aside=csv_button("/coaching", "hints", view.query, "what errors point to"),
    )


def _of(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    return rows[rows["technician"] == name] if len(rows) else rows


def _nobody(view: View) -> Any:
    """Say that nobody stands out, or that it cannot be told and why."""
    report = document(view)
    sentence, known = nothing_stands_out(report, rows_of(view, "people"))
    return html.Div(
        [
            notice(sentence, name="good caveat" if known else "caveat"),
            _comparability({**report, "refusal": None}),  # the sentence above has it
        ]
    )


def _comparability(report: dict[str, Any]) -> Any:
    """Say what cannot be told apart, and which swap would tell."""
    parts: list[Any] = [html.P(report["refusal"])] if report.get("refusal") else []
    if report.get("sets", 1) > 1:
        parts += [
            html.P(
                f"People and splicers fall into {report['sets']} sets that no shared work "
                "connects. Within a set people can be compared, across sets they cannot: a whole "
                "set may only have the better splicers. The shortest stay that would tell:"
            ),
            html.Ul([html.Li(swap["reason"]) for swap in report.get("swaps", [])]),
        ]
    return html.Div(parts, className="notice caveat", role="note") if parts else None
