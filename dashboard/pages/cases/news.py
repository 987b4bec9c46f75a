"""What is new since a reader's previous visit, which only the reader's browser knows.

Pages say when each case became known; `assets/visits.js` compares that with the previous visit,
fills in the line above the cases and puts a word beside each one that is new.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from dash import dcc, html

from dashboard import ids
from dashboard.access.current_user import current_user
from dashboard.components import View
from dashboard.pages.cases.case_words import Case


def events_of(view: View, case: Case) -> list[tuple[str, int]]:
    """Return what happened to a case and when it became known, in milliseconds since 1970.

    An open case became known with the analysis that found it first, or when its alarms first made
    it work for somebody, whichever was later.
    """
    told = ("closed",) if case["state"] == "closed" else ("came-back", "reopened")
    later = [(str(row["what"]), _milliseconds(row["at"])) for row in case["history"]
             if row["what"] in told][-1:]  # fmt: skip
    if case["state"] == "closed":
        return later
    seen = _milliseconds(case["seen"])
    found = view.data.cases_found_at().get(case["id"])
    return [("new", seen if found is None else max(_instant_ms(found), seen)), *later]


def news_line(view: View, cases: Iterable[Case], place: str, *, told: bool = True) -> html.Div:
    """Return the line that says what is new since the previous visit; empty until then.

    Parameters
    ----------
    told : bool
        Whether there is a line; without it, only marks beside cases say what is new.
    """
    user = current_user()
    events = [events_of(view, case) for case in cases]
    return html.Div(
        [
            dcc.Store(
                id=ids.news(place),
                data={
                    "visitor": f"{view.data.crew.name}|{'' if user is None else user.name}",
                    "events": events,
                },
            ),
            html.P(id=ids.news_line(place), className="new-since", role="status") if told else None,
        ]
    )


def new_mark(view: View, case: Case) -> html.Span:
    """Return the mark beside a case: empty, or the word that tells what is new about it."""
    events = events_of(view, case)
    what, at = max(events, key=lambda event: event[1], default=("closed", 0))
    return html.Span(id=ids.new_mark(str(case["id"]), what, at), className="tag new-mark")


def _milliseconds(text: Any) -> int:
    return _instant_ms(datetime.fromisoformat(str(text)))


def _instant_ms(at: datetime) -> int:
    return int(at.timestamp() * 1000)
