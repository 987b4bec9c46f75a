"""Cards of whom to see about what: what is seen, whether it is the hand, what to practice."""

from typing import Any
from urllib.parse import quote

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.people.coaching_topics import TOPICS, CoachingTopic, PersonTopics
from arcdrift.figures.hands import dot_strip
from arcdrift.wording import count_text
from dashboard.components import View, shown_day, tag
from dashboard.pages.coaching.people_rows import person_href
from dashboard.pages.coaching.sessions import session_line

MEASURE_OF_TOPIC = {"cleaving": "angle", "runs": "angle", "side": "angle", "learning": "angle"}
"""What a topic is measured by; losses where it is not named."""
ANSWERS = {
    "the hand": ("✓", "shows on other splicers and cleavers too", "note"),
    "the machine": ("!", "look at the machine first", "late"),
    "not separable": ("?", "hand and machine cannot be separated", "plain"),
}


def measure_of(topics: tuple[CoachingTopic, ...]) -> str:
    """Return the measure in which a person's first topic shows."""
    return MEASURE_OF_TOPIC.get(topics[0].kind, "loss") if topics else "angle"


def person_card(view: View, person: PersonTopics, hands: pd.DataFrame, days: pd.DataFrame) -> Any:
    """Return the card of one person whom to see.

    Parameters
    ----------
    hands, days : DataFrame
        The person's rows of ``result_hands_by_machine`` and ``result_person_days``.
    """
    first, *more = person.topics
    return html.Article(
        [
            html.Div(
                [
                    dcc.Link(
                        person.technician, href=person_href(person.technician), className="name"
                    ),
                    html.Strong(TOPICS[first.kind], className="topic-name"),
                ],
                className="row",
            ),
            topic_body(first),
            _strip(view, first, hands),
            html.P([html.Strong("Practice. "), first.practice], className="practice"),
            html.Ul(
                [
                    html.Li([html.Strong(f"{TOPICS[topic.kind]}. "), topic.headline])
                    for topic in more
                ],
                className="more-topics",
            )
            if more
            else None,
            html.Div(
                [html.Span("Last session: ", className="muted"), _session(person, days)],
                className="last-session",
            ),
        ],
        className="card topic-card",
        **{"aria-label": person.technician},
    )


def person_row(person: PersonTopics) -> html.Li:
    """Return one person whom to see in a line or two, where there are many."""
    first = person.topics[0]
    answer = None if first.evidence is None else tag(*ANSWERS[first.evidence.answer])
    when = (
        "no session yet"
        if person.session is None
        else (f"last session {shown_day(str(person.session['held_on']))}")
    )
    return html.Li(
        [
            html.Div(
                [
                    dcc.Link(
                        person.technician, href=person_href(person.technician), className="name"
                    ),
                    html.Span(
                        ", ".join(TOPICS[topic.kind] for topic in person.topics),
                        className="topic-name",
                    ),
                    html.Span(when, className="muted"),
                ],
                className="row",
            ),
            html.Div([html.Span(first.headline), answer], className="row"),
        ],
        className="topic-row",
    )


def topic_list(person: PersonTopics) -> html.Ul:
    """Return the topics of a person, each with what to practice."""
    return html.Ul(
        [
            html.Li(
                [
                    html.H3(TOPICS[topic.kind]),
                    topic_body(topic),
                    html.P([html.Strong("Practice. "), topic.practice], className="practice"),
                ]
            )
            for topic in person.topics
        ],
        className="plain-list",
    )


def topic_body(topic: CoachingTopic) -> html.Div:
    """Return what is seen, and whether it is the hand."""
    return html.Div(
        [
            html.P(topic.headline, className="topic-headline"),
            html.Div(
                [tag(*ANSWERS[topic.evidence.answer]), html.Div(topic.evidence.words)],
                className="topic-evidence",
            )
            if topic.evidence
            else None,
        ]
    )


def _strip(view: View, topic: CoachingTopic, hands: pd.DataFrame) -> Any:
    measure = MEASURE_OF_TOPIC.get(topic.kind, "loss")
    if topic.evidence is None or hands.empty:
        return None
    rows = hands[(hands["measure"] == measure) & hands["effect"].notna()]
    if rows.empty:
        return None
    return html.Img(
        src=f"data:image/svg+xml,{quote(dot_strip(rows, view.scheme))}",
        alt=f"{count_text(len(rows), 'dot')}, one for each splicer used, against the median "
        "colleague there",
        className="dot-strip",
    )


def _session(person: PersonTopics, days: pd.DataFrame) -> Any:
    if person.session is None:
        return html.Span("none noted yet.")
    return session_line(days, person.session)
