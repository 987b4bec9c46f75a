"""The Week page: what got worse, what got better, what was done, splicer by splicer; one sheet."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.cases.week_story import WeekSpan, Word, week_story
from arcdrift.figures.change_dots import change_dots
from arcdrift.wording import count_text
from dashboard.components import (
    View,
    card,
    csv_button,
    heading,
    notice,
    paper_card,
    report_button,
)
from dashboard.kept_parts import kept_with_results
from dashboard.pages.attempts.cost_card import cost_card, made_again_table
from dashboard.pages.cases.cases import case_list, pressing_first, told_cases
from dashboard.pages.week.change_rows import change_rows
from dashboard.pages.week.week_facts import (
    checks_in_time,
    closed_text,
    open_counts,
    right_first_time,
)
from dashboard.pages.week.week_query import (
    WEEK,
    asked_week,
    days_text,
    iso,
    running_monday,
    week_key,
)
from dashboard.url_query import href

LABELS = (("Worse", "worse"), ("Better", "better"), ("Done", "done"))
NOT_COMPARED_NAMED = 6
MOST_CASES = 6
"""Open cases on the sheet; the others are on the Cases page."""
HINT = (
    "Each dot compares a splicer and program with its own four weeks before; the line is the range "
    "in which the true change lies in 95 of 100 cases. Allowed for: whose hands made the splices, "
    "and days that moved everybody. Single very high losses count only up to a cap. A filled mark "
    "with an arrow stands out even among so many; of such marks about 1 in 20 is chance."
)


def changes(view: View) -> pd.DataFrame:
    """Return the changes of the week in the address."""
    return view.data.result("result_week_changes", week=iso(asked_week(view).monday))


TABLES = {"changes": changes, "made-again": made_again_table}


def render(view: View) -> html.Div:
    """Return the page."""
    week = asked_week(view)
    rows = changes(view).to_dict("records")
    running = week.monday == running_monday(view)
    number = week.monday.isocalendar().week
    so_far = ", so far" if running else ""
    return html.Div(
        [
            html.Div(
                [
                    heading(f"Week {number}{so_far}", f"{days_text(week.monday)}."),
                    _weeks_around(view, week),
                ],
                className="heading-row week-head",
            ),
            _story(view, week, rows),
            _changes_card(view, iso(week.monday)),
            _cases_card(view, week),
            cost_card(view, week.monday, view.data.today()),
            _paper(view, week),
        ],
        className="week-page",
    )  # fmt: skip


def _paper(view: View, week: WeekSpan) -> html.Section:
    """Return the reports of this week, of its month, and of that month for the client."""
    sunday = week.monday + timedelta(days=6)
    month = {"month": f"{min(sunday, view.data.today()):%Y-%m}"}
    name = f"{min(sunday, view.data.today()):%B}"
    buttons = [
        report_button(_number(week.monday), "week", {"week": week_key(week.monday)}),
        report_button(name, "month", month),
    ]
    if view.data.viewer.has_role("lead"):
        buttons.append(report_button(f"{name} for the client", "client", month))
    return paper_card(*buttons)


def _weeks_around(view: View, week: WeekSpan) -> html.Nav:
    """Return links to the week before and after, and the button that prints."""
    before, after = week.monday - WEEK, week.monday + WEEK
    links = [dcc.Link(f"← {_number(before)}", href=_address(before), className="button big")]
    if after <= running_monday(view):
        links.append(dcc.Link(f"{_number(after)} →", href=_address(after), className="button big"))
    return html.Nav(
        [*links, html.Button("Print", className="button big print-button wide-only")],
        className="row screen-only",
        **{"aria-label": "Other weeks"},
    )


def _number(monday: date) -> str:
    return f"Week {monday.isocalendar().week}"


def _address(monday: date) -> str:
    return href("/week", week=week_key(monday))


def _story(view: View, week: WeekSpan, rows: Sequence[dict[Any, Any]]) -> html.Section:
    story = week_story(
        [{str(key): row[key] for key in row} for row in rows], view.data.cases(), week
    )
    return html.Section(
        [
            html.Dl(
                [
                    html.Div(
                        [html.Dt(label), html.Dd(_words(getattr(story, name)))],
                        className=f"week-{name}",
                    )
                    for label, name in LABELS
                ]
            ),
            _facts(view, week),
        ],
        className="card week-story",
    )


def _words(words: Sequence[Word]) -> list[Any]:
    return [_linked(word) if word.leads_to else word.text for word in words]


def _linked(word: Word) -> dcc.Link:
    if word.leads_to == "case":
        return dcc.Link(word.text, href=f"/cases/{word.key}")
    splicer, _, program = word.key.partition(" / ")
    return dcc.Link(word.text, href=href("/loss", splicer=splicer, program=program))


def _facts(view: View, week: WeekSpan) -> html.Div:
    """Return the checks in time, the places right first time and the cases by state."""
    cases = told_cases(view)
    right = right_first_time(view.data.result("result_crew_days"), week)
    return html.Div(
        [
            html.Div(
                [html.Span("Arc checks in time", className="muted"), *_checks(view, week)],
                className="week-fact",
            ),
            html.Div(
                [
                    html.Span("Places right first time", className="muted"),
                    html.Strong(right.share),
                    html.Span(right.counts, className="muted") if right.counts else None,
                ],
                className="week-fact",
            ),
            html.Div(
                [
                    html.Span("Cases now", className="muted"),
                    dcc.Link(
                        [
                            html.Span([html.Strong(str(count)), f" {text}"])
                            for text, count in open_counts(cases)
                        ],
                        href="/cases", className="state-counts",
                    ),
                    html.Span(closed_text(cases, week), className="muted"),
                ],
                className="week-fact",
            ),
        ],
        className="week-facts",
    )  # fmt: skip


@kept_with_results
def _checks(view: View, week: WeekSpan) -> list[Any]:
    found = checks_in_time(view.data.result("result_check_days"), week)
    if not found.counts:
        return [html.Strong(found.share)]
    return [
        dcc.Link(html.Strong(found.share), href="/checks"),
        html.Span(found.counts, className="muted"),
    ]


@kept_with_results
def _changes_card(view: View, monday: str) -> html.Section:
    """Return the dots of a week; the address need not name it."""
    rows = view.data.result("result_week_changes", week=monday).to_dict("records")
    dots = change_dots([{str(key): row[key] for key in row} for row in rows])
    title = dots.title
    if not dots.rows:
        return card(_nothing(view, any_splices=bool(rows)), title=title)
    few = dots.not_compared
    more = len(few) - NOT_COMPARED_NAMED
    few_text = "; ".join(few[:NOT_COMPARED_NAMED]) + (f"; and {more} more" if more > 0 else "")
    return card(
        change_rows(dots),
        html.P(f"Too few splices to compare: {few_text}.", className="muted hint few-splices")
        if few
        else None,
        html.Details([html.Summary("How to read this"), html.P(HINT)], className="screen-only"),
        title=title,
        aside=csv_button("/week", "changes", view.query, "the changes of this week"),
        name="week-changes",
    )


def _nothing(view: View, *, any_splices: bool) -> html.Div:
    if any_splices:
        return notice(
            "No splicer has enough splices in this week and the four before to be compared; two "
            "workdays and 30 splices are needed, and four workdays and 60 splices before them."
        )
    known = view.data.result("result_week_changes")["week"]
    if known.empty:
        return notice("No splices with a loss are on record yet.")
    newest = max(known)
    key = week_key(pd.Timestamp(newest).date())
    return html.Div(
        [
            notice("No splices with a loss are on record for this week."),
            dcc.Link(f"To the last week with splices, {days_text(pd.Timestamp(newest).date())}",
                     href=href("/week", week=key), className="more"),
        ]
    )  # fmt: skip


def _cases_card(view: View, week: WeekSpan) -> html.Section | None:
    """Return the open cases that began before the week's end, the most pressing first."""
    cases = [
        case
        for case in pressing_first([case for case in told_cases(view) if case["state"] != "closed"])
        if pd.Timestamp(case["seen"]) < week.ends
    ]
    if not cases:
        return card(html.P("No case is open."), title="Open cases")
    more = len(cases) - MOST_CASES
    return card(
        case_list(view, cases[:MOST_CASES]),
        dcc.Link(f"{count_text(more, 'more open case')}", href="/cases", className="more")
        if more > 0
        else None,
        title="Open cases",
        name="week-cases",
    )
