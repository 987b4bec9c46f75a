"""Part of the Shift page: today's bad splices by place, and what is new to the visitor."""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard.components import View, card, severity_tag
from dashboard.pages.cases.case_words import Case, case_href
from dashboard.pages.cases.cases import told_cases
from dashboard.pages.cases.news import events_of, new_mark, news_line
from dashboard.reading.revisit_rows import Row

MOST_PLACES = 8
MOST_NEWS = 8


def bad_today(view: View) -> list[Row]:
    """Return today's splices over the accepted limit that nobody has dealt with."""
    workday = view.data.workday()
    return [row for row in view.data.revisit_rows().waiting if row["day"] == workday]


def bad_splices(view: View) -> html.Section:
    """Return today's splices over the accepted limit by place, while the crew is still there."""
    waiting = view.data.revisit_rows().waiting
    today = bad_today(view)
    older = len(waiting) - len(today)
    if today:
        body: Any = html.Ul([_place(view, row) for row in today[:MOST_PLACES]], className="places")
    else:
        body = html.P("None so far today.", className="muted")
    links = [
        f"{len(today) - MOST_PLACES} more today" if len(today) > MOST_PLACES else "",
        f"{older:,} from earlier days" if older else "",
    ]
    words = " and ".join(filter(None, links))
    return card(
        body,
        dcc.Link(words if not today else f"Tick off; {words}" if words else "Tick off",
                 href="/cases/revisit", className="more")
        if waiting
        else None,
        title="Bad splices today, still fixable",
        name="bad-today",
    )  # fmt: skip


def _place(view: View, row: Any) -> html.Li:
    at = row["spliced_at"].astimezone(view.data.zone_of_splicer(row["splicer"]))
    place = row["location"] or "Place not logged"
    site = f", {row['site']}" if row["site"] else ""
    return html.Li(
        [
            html.Div([html.Strong(place), site], className="place"),
            html.Div([html.Strong(f"{row['loss_db']:.2f} dB"), f" of {row['limit_db']:.2f}"],
                     className="loss"),
            html.Div(f"{at:%H:%M} with {row['splicer']}", className="muted"),
        ]
    )  # fmt: skip


def news(view: View) -> html.Section:
    """Return what became known since the visitor's previous visit; nothing about people."""
    cases = [case for case in told_cases(view) if case["subject"]["type"] != "technician"]
    still_open = [case for case in cases if case["state"] != "closed"]
    acts = sum(case["severity"] == "act" for case in still_open)
    summary = f"{len(still_open)} open, {acts} to act on" if still_open else "No case is open."
    return card(
        news_line(view, cases, "shift"),
        html.P("Next time, what is new since today stands here.", className="muted news-first"),
        html.Ul([_news_row(view, case) for case in _latest(view, cases)], className="news-list"),
        dcc.Link(f"All cases: {summary}", href="/cases", className="more")
        if still_open
        else html.P(summary, className="muted"),
        title="New since your last visit",
        name="news",
    )


def _latest(view: View, cases: Sequence[Case]) -> list[Case]:
    """Return the cases that became known last, the latest first."""
    known = [(max(at for _, at in events), case) for case in cases
             if (events := events_of(view, case))]  # fmt: skip
    known.sort(key=lambda pair: pair[0], reverse=True)
    return [case for _, case in known[:MOST_NEWS]]


def _news_row(view: View, case: Case) -> html.Li:
    """Return a case; the style sheet shows it only where its mark says that it is new."""
    return html.Li(
        [
            new_mark(view, case),
            severity_tag(case["severity"]) if case["state"] != "closed" else None,
            dcc.Link(case["title"], href=case_href(case["id"])),
        ]
    )
