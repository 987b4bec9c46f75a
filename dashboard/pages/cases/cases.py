"""The Cases page: what needs somebody now, what is being worked on, what came of it."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.case import CLOSED_WORDS, STATES
from arcdrift.finding import SEVERITY_ORDER
from dashboard.access.current_user import current_user
from dashboard.components import (
    View,
    card,
    csv_button,
    heading,
    notice,
    select,
    severity_tag,
    with_code,
)
from dashboard.pages.cases import revisit
from dashboard.pages.cases.case_words import (
    KINDS,
    Case,
    began_text,
    case_href,
    key_hint,
    kind_of,
    next_text,
    result_text,
    state_text,
)
from dashboard.pages.cases.news import new_mark, news_line
from dashboard.pages.cases.notes import findings_table, notes_section, notes_table
from dashboard.subjects import subject_title
from dashboard.url_query import Query, href

SECTIONS = (
    ("new", "New: needs somebody"),
    ("taken-on", "Taken on"),
    ("waiting", "Waiting for the result"),
)
CLOSED_SHOWN = 20
"""Closed cases listed at first; the others are one tap away."""
FILTERS = ("subject", "cause", "owner")
COLUMNS = (
    "id", "state", "severity", "title", "subject_type", "subject", "kind", "since", "first_alarm",
    "latest_evidence", "owner", "next_step", "result", "closed", "closed_why",
)  # fmt: skip


def pressing_first(cases: Sequence[Case]) -> list[Case]:
    """Order open cases: the most severe first, within that the newest alarm first."""
    newest = sorted(cases, key=lambda case: datetime.fromisoformat(case["seen"]), reverse=True)
    return sorted(newest, key=lambda case: SEVERITY_ORDER[case["severity"]])


def told_cases(view: View) -> list[Case]:
    """Return the cases that are work for somebody, open or closed."""
    return [case for case in view.data.cases() if case["told"]]


def filtered_cases(view: View) -> list[Case]:
    """Return the cases under the URL's filters, open ones first."""
    query = view.query
    owner = _owner(query)
    found = [
        case
        for case in told_cases(view)
        if query.get("subject", _subject_key(case)) == _subject_key(case)
        and query.get("cause", kind_of(case)) == kind_of(case)
        and (owner is None or case["owner"] == owner)
    ]
    closed = [case for case in found if case["state"] == "closed"]
    closed.sort(key=lambda case: datetime.fromisoformat(case["closed"]["at"]), reverse=True)
    return [*pressing_first([case for case in found if case["state"] != "closed"]), *closed]


def _subject_key(case: Case) -> str:
    return f"{case['subject']['type']}:{case['subject']['id']}"


def _owner(query: Query) -> str | None:
    """Return whose cases are asked for; None for everybody's."""
    owner = query.get("owner")
    user = current_user()
    return user.name if owner == "mine" and user is not None else owner


def cases_table(view: View) -> pd.DataFrame:
    """Return the cases under the URL's filters as a table; times are UTC."""
    rows = [
        (
            case["id"], STATES[case["state"]], case["severity"], case["title"],
            case["subject"]["type"], case["subject"]["id"], KINDS.get(kind_of(case), kind_of(case)),
            case["since"], case["seen"], case["until"], case["owner"] or "", next_text(case),
            result_text(case), case["closed"]["at"] if case["closed"] else "",
            f"{CLOSED_WORDS.get(case['closed']['how'], '')}: {case['closed']['why']}"
            if case["closed"] else "",
        )
        for case in filtered_cases(view)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


TABLES = {
    "cases": cases_table,
    "revisit": revisit.revisit_table,
    "findings": findings_table,
    "notes": notes_table,
}


def render(view: View) -> html.Div:
    """Return the page."""
    everything, cases = told_cases(view), filtered_cases(view)
    open_cases = [case for case in cases if case["state"] != "closed"]
    closed = [case for case in cases if case["state"] == "closed"]
    return html.Div(
        [
            html.Div(
                [heading("Cases", _counts_text(open_cases)), _filters(view, everything)],
                className="heading-row case-heading",
            ),
            news_line(view, cases, "cases"),
            key_hint("case to case") if cases else None,
            *_sections(view, open_cases, any_cases=bool(everything)),
            _closed(view, closed),
            revisit.revisit_card(view),
            notes_section(view),
            html.Div(csv_button("/cases", "cases", view.query, "these cases"), className="row"),
        ]
    )


def _counts_text(cases: Sequence[Case]) -> str:
    counts = [
        (sum(case["state"] == state for case in cases), one, many)
        for state, one, many in (
            ("new", "needs somebody", "need somebody"),
            ("taken-on", "is taken on", "are taken on"),
            ("waiting", "waits for its result", "wait for their results"),
        )
    ]
    parts = [f"{count} {one if count == 1 else many}" for count, one, many in counts if count]
    if not parts:
        return "Nothing is open."
    people = sum(case["subject"]["type"] == "technician" for case in cases)
    # the Shift page counts the others, since it names nobody
    apart = (
        f" {people} of these {'is' if people == 1 else 'are'} about one person's work, which the "
        "page Shift leaves out."
        if people
        else ""
    )
    return f"{', '.join(parts)}.{apart}"


def _sections(view: View, cases: Sequence[Case], *, any_cases: bool) -> list[Any]:
    if not cases:
        chosen = any(key in view.query for key in FILTERS)
        text = (
            "No open case matches. Clear a filter to see more."
            if chosen and any_cases
            else "No case is open: nothing needs somebody now. A case opens with the first alarm "
            "that an analysis finds."
        )
        return [notice(text, name="caveat" if chosen and any_cases else "good caveat")]
    sections = []
    for state, title in SECTIONS:
        rows = [case for case in cases if case["state"] == state]
        if rows:
            sections.append(card(case_list(view, rows), title=title, name=f"cases-{state}"))
        elif state == "new":
            sections.append(
                notice("Nothing is new: somebody has every open case.", name="good caveat")
            )
    return sections


def case_list(view: View, cases: Sequence[Case]) -> html.Ul:
    """Return cases as rows, each leading to its page."""
    return html.Ul([_row(view, case) for case in cases], className="case-list")


def _row(view: View, case: Case) -> html.Li:
    steps = next_text(case)
    result = result_text(case) if case["state"] != "new" else ""
    waits = case["state"] == "waiting"
    return html.Li(
        [
            html.Div(
                [
                    severity_tag(case["severity"]) if case["state"] != "closed" else None,
                    new_mark(view, case),
                    dcc.Link(case["title"], href=case_href(case["id"]), className="case-title"),
                ],
                className="row case-head",
            ),
            html.Div(
                state_text(view, case)
                if case["state"] == "closed"
                else f"{state_text(view, case)} {began_text(view, case)}".strip(),
                className="muted",
            ),
            html.Div(["Result: ", result]) if result and waits else None,
            html.Div(["Next: ", *with_code(steps)], className="case-next")
            if steps and not waits
            else None,
        ],
        className="case-row",
    )


def _filters(view: View, cases: Sequence[Case]) -> html.Details:
    query = view.query
    subjects = {
        _subject_key(case): subject_title(str(case["subject"]["type"]), str(case["subject"]["id"]))
        if case["subject"]["type"] == "crew"
        else str(case["subject"]["id"])
        for case in cases
    }
    kinds = sorted({kind_of(case) for case in cases}, key=lambda kind: KINDS.get(kind, kind))
    owners = sorted({str(case["owner"]) for case in cases if case["owner"]})
    user = current_user()
    choices = [(name, name) for name in owners if user is None or name != user.name]
    if user is not None:
        choices.insert(0, ("mine", f"mine ({user.name})"))
    return html.Details(
        [
            html.Summary("Choose", className="button"),
            html.Div(
                [
                    select("subject", "About", sorted(subjects.items(), key=lambda one: one[1]),
                           query.get("subject")),
                    select("cause", "Kind", [(kind, KINDS.get(kind, kind)) for kind in kinds],
                           query.get("cause")),
                    select("owner", "Whose", choices, query.get("owner"), empty="everybody's"),
                ],
                className="filters",
            ),
        ],
        open=any(key in query for key in FILTERS),
        className="case-filters",
    )  # fmt: skip


def _closed(view: View, closed: Sequence[Case]) -> html.Section | None:
    if not closed:
        return None
    everything = view.query.get("closed") == "all"
    shown = closed if everything else closed[:CLOSED_SHOWN]
    rest = len(closed) - len(shown)
    return html.Section(
        html.Details(
            [
                html.Summary(f"Closed ({len(closed):,})"),
                case_list(view, shown),
                dcc.Link(f"{rest:,} more, closed earlier", href=href("/cases", view.query,
                         closed="all"), className="more")
                if rest
                else None,
            ],
            open=everything,
        ),
        className="card closed-cases",
    )  # fmt: skip
