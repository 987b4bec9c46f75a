"""Coaching sessions and what came of them: the weeks before and after each, compared."""

from collections.abc import Sequence
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.people.before_after import CAUTION, MIN_DAYS, Change, before_after
from arcdrift.wording import count_text, interval_text
from dashboard.components import View, card, shown_day
from dashboard.pages.coaching.people_rows import person_href

SHOWN = 6
"""Sessions listed at first; the others are one tap away."""
SCALE = 0.6
"""Change at the ends of the small bars, as a share."""


def session_result(changes: Sequence[Change]) -> list[Any]:
    """Return what changed after a session: a line with its interval for each measure."""
    known = [change for change in changes if change.change is not None]
    if not known:
        return [html.Div(nothing_told(changes), className="muted")]
    return [_change(change) for change in known]


def nothing_told(changes: Sequence[Change]) -> str:
    """Say why nothing can be told of a session yet."""
    after = max((change.days_after for change in changes), default=0)
    before = max((change.days_before for change in changes), default=0)
    if after < MIN_DAYS:
        return f"Too early: {after} of the {count_text(MIN_DAYS, 'day')} of work after it."
    if before < MIN_DAYS:
        return f"Not known: only {count_text(before, 'day')} of work before it."
    return "Too few splices before or after it to say anything."


def change_words(change: Change) -> tuple[str, str]:
    """Return a change with its interval, and what it says."""
    value, low, high = (float(number or 0.0) for number in (change.change, change.low, change.high))
    numbers = interval_text(100 * value, 100 * low, 100 * high, "%", signed=True)
    return numbers, "no more than chance" if low < 0 < high else "fell" if value < 0 else "rose"


def _change(change: Change) -> html.Div:
    value, low, high = (float(number or 0.0) for number in (change.change, change.low, change.high))
    numbers, verdict = change_words(change)
    return html.Div(
        [
            html.Span(change.measure, className="session-measure"),
            _bar(value, low, high),
            html.Span([html.Strong(numbers), f" {verdict}"]),
        ],
        className="session-change",
    )


def _bar(value: float, low: float, high: float) -> html.Div:
    def place(change: float) -> float:
        return 50 + 50 * max(min(change / SCALE, 1.0), -1.0)

    left, right = place(low), place(high)
    return html.Div(
        [
            html.B(style={"left": "50%"}),
            html.Div(style={"left": f"{left:.1f}%", "width": f"{right - left:.1f}%"}),
            html.I(style={"left": f"{place(value):.1f}%"}),
        ],
        className="span",
        **{"aria-hidden": "true"},
    )


def session_line(days: pd.DataFrame, note: pd.Series, *, by: bool = True) -> html.Div:
    """Return one session with its day, topic and what changed after it.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_person_days`` of that person.
    by : bool
        Whether to say who held it.
    """
    held_on = shown_day(str(note["held_on"]))
    who = f", by {note['said_by']}" if by and note["said_by"] else ""
    return html.Div(
        [
            html.Div(
                [html.Strong(str(note["topic"])), html.Span(f"{held_on}{who}", className="muted")],
                className="row",
            ),
            *session_result(before_after(days, str(note["held_on"]))),
        ]
    )


def sessions_card(view: View, notes: pd.DataFrame, days: pd.DataFrame) -> html.Section:
    """Return the card of all sessions of the crew, the latest first."""
    title = "Sessions and what came of them"
    if notes.empty:
        return card(
            html.P(
                "No session is noted yet. Note one on a person's page, and the weeks before and "
                "after it are compared here.",
                className="muted",
            ),
            title=title,
        )
    ordered = notes.sort_values(["held_on", "id"], ascending=False)
    items = [
        html.Li(
            [
                dcc.Link(str(note["technician"]), href=person_href(str(note["technician"]))),
                session_line(days[days["technician"] == note["technician"]], note),
            ],
            className="mark-line session",
        )
        for _, note in ordered.iterrows()
    ]
    older = items[SHOWN:]
    return card(
        html.P(
            f"Up to eight weeks before and after each, apart from the splicers used. {CAUTION}",
            className="muted hint",
        ),
        html.Ul(items[:SHOWN], className="finding-list"),
        html.Details(
            [html.Summary(f"{len(older):,} earlier"), html.Ul(older, className="finding-list")]
        )
        if older
        else None,
        title=title,
    )
