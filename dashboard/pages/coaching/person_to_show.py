"""The page that a person can be shown: their own work only, and no colleague's name."""

from collections.abc import Sequence
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.people.coaching_topics import PersonTopics
from arcdrift.figures.hands import days_with_sessions, hand_dots
from arcdrift.wording import count_text
from dashboard.components import View, card, chart, csv_link, heading, notice
from dashboard.kept_parts import kept_with_results
from dashboard.pages.coaching.people_rows import person_href, rows_of_person
from dashboard.pages.coaching.sessions import session_line
from dashboard.pages.coaching.topic_cards import measure_of, topic_list

FOR_YOU = (
    "This is about practice, not pay, praise or blame. Each figure compares with the median "
    "colleague on the same splicers and has its 95 % interval; one whose interval spans 0 % says "
    "nothing about you."
)


def page_to_show(
    view: View,
    person: PersonTopics,
    days: pd.DataFrame,
    sessions: Sequence[tuple[str, str]],
) -> html.Div:
    """Return the page.

    Parameters
    ----------
    days : DataFrame
        The person's rows of ``result_person_days``.
    sessions : sequence of (str, str)
        ISO day and topic of each session.
    """
    name = person.technician
    measure = measure_of(person.topics)
    made = count_text(person.splices, "splice")
    return html.Div(
        [
            dcc.Link(f"← {name}", href=person_href(name), className="back no-print"),
            heading(f"{name}: your work", f"{made} on {count_text(len(days), 'day')}. {FOR_YOU}"),
            _practice(person),
            html.Div(
                [
                    by_machine_card(view, name, measure),
                    _days_card(view, name, measure, tuple(sessions)),
                ],
                className="side-by-side",
            ),
            _sessions(view, name, days),
        ],
        className="page-to-show",
    )


@kept_with_results
def by_machine_card(view: View, name: str, measure: str) -> html.Section:
    """Return the chart of a person's work on each splicer and with each cleaver."""
    hands = rows_of_person(view, "hands_by_machine", name)
    picture = hand_dots(hands, measure, scheme=view.scheme)
    return chart(
        picture.title or "On each splicer",
        picture,
        csv=csv_link("/person", "by-machine", {"technician": name}),
        legend=False,
    )


@kept_with_results
def _days_card(
    view: View, name: str, measure: str, sessions: tuple[tuple[str, str], ...]
) -> html.Section:
    days = rows_of_person(view, "person_days", name)
    picture = days_with_sessions(days, sessions, measure, scheme=view.scheme)
    return chart(
        picture.title or "Day by day",
        picture,
        csv=csv_link("/person", "days", {"technician": name}),
        legend=False,
    )


def _practice(person: PersonTopics) -> html.Section:
    if not person.topics:
        return card(notice("Nothing stands out in your work at present."), title="What to practice")
    return card(
        topic_list(person),
        title="What to practice",
    )


def _sessions(view: View, name: str, days: pd.DataFrame) -> Any:
    notes = view.data.coaching_notes(name).sort_values(["held_on", "id"], ascending=False)
    if notes.empty:
        return None
    return card(
        html.Ul(
            [
                html.Li(session_line(days, note, by=False), className="mark-line")
                for _, note in notes.iterrows()
            ],
            className="finding-list",
        ),
        title="Sessions and what came of them",
    )
