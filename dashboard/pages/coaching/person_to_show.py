"""The page that a person can be shown: their own work only, and no colleague's name."""

from collections.abc import Sequence
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.people.coaching_topics import PersonTopics
from arcdrift.figures.hands import days_with_sessions, hand_dots
from arcdrift.wording import count_text
from dashboard.components import View, card, chart, csv_link, heading, notice
from dashboard.pages.coaching.people_rows import person_href
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
    hands: pd.DataFrame,
    sessions: Sequence[tuple[str, str]],
) -> html.Div:
    """Return the page.

    Parameters
    ----------
    days, hands : DataFrame
        The person's rows of ``result_person_days`` and ``result_hands_by_machine``.
    sessions : sequence of (str, str)
        ISO day and topic of each session.
    """
    name = person.technician
    measure = measure_of(person.topics)
    machines = hand_dots(hands, measure, scheme=view.scheme)
    over_time = days_with_sessions(days, sessions, measure, scheme=view.scheme)
    query = {"technician": name}
    made = count_text(person.splices, "splice")
    return html.Div(
        [
            dcc.Link(f"← {name}", href=person_href(name), className="back no-print"),
            heading(f"{name}: your work", f"{made} on {count_text(len(days), 'day')}. {FOR_YOU}"),
            _practice(person),
            html.Div(
                [
                    chart(
                        machines.title or "On each splicer",
                        machines,
                        csv=csv_link("/person", "by-machine", query),
                        legend=False,
                    ),
                    chart(
                        over_time.title or "Day by day",
                        over_time,
                        csv=csv_link("/person", "days", query),
                        legend=False,
                    ),
                ],
                className="side-by-side",
            ),
            _sessions(view, name, days),
        ],
        className="page-to-show",
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
