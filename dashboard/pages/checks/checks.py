"""The Checks page: who works unchecked now, daily arc checks day by day, shares in time."""

from collections import Counter
from collections.abc import Callable, Hashable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.checks.compliance import By
from arcdrift.figures.checks import compliance_table, compliance_weeks, unchecked_weeks
from arcdrift.people import HIDDEN
from arcdrift.wording import count_text
from dashboard.components import (
    PERIODS,
    STATUS,
    View,
    card,
    chart,
    csv_button,
    csv_link,
    heading,
    notice,
    period,
    select,
    shown_day,
)
from dashboard.kept_parts import kept_with_results
from dashboard.pages.checks.check_shares import misses, shares
from dashboard.pages.checks.unchecked_now import (
    unchecked_card,
    unchecked_now,
    unchecked_sentence,
)
from dashboard.static_html import static_part
from dashboard.url_query import href

DEFAULT_PERIOD = "30"
CALENDAR_DAYS = 370
"""Days of the calendar at most."""
CALENDAR_CELLS = 15_000
"""Cells of the calendar at most: a browser draws them in some tenths of a second."""
EXPLAINED_STATUSES = ("late", "failed-only", "missed", "due")
"""Statuses whose cells in the calendar have a tooltip."""


def check_days(view: View) -> pd.DataFrame:
    """Select check days under the URL's filters, oldest first."""
    return _since(view, view.first_day(DEFAULT_PERIOD))


def _since(view: View, first: str) -> pd.DataFrame:
    days = view.data.result("result_check_days")
    selected = days[days["day"] >= first] if first else days
    if view.query.get("splicer"):
        selected = selected[selected["splicer"] == view.query["splicer"]]
    return selected.sort_values(["day", "splicer"])


def _by(by: By) -> Callable[[View], pd.DataFrame]:
    return lambda view: compliance_table(check_days(view), by)


def _weeks(view: View) -> pd.DataFrame:
    """Select check days of whole weeks: the period, and the days before it back to a Monday."""
    first = view.first_day(DEFAULT_PERIOD)
    if not first:
        return check_days(view)
    day = date.fromisoformat(first)
    return _since(view, (day - timedelta(days=day.weekday())).isoformat())


def _technician_shares(view: View) -> pd.DataFrame:
    shown = check_days(view) if view.data.people.any_pages else check_days(view).iloc[:0]
    return compliance_table(shown, "technician")


TABLES = {
    "check-days": check_days,
    "compliance": _by("splicer"),
    "compliance-technicians": _technician_shares,
    "unchecked-weeks": lambda view: unchecked_weeks(_weeks(view)).table,
    "compliance-weeks": lambda view: compliance_weeks(_weeks(view)).table,
}


def render(view: View) -> html.Div:
    """Return the page."""
    days = check_days(view)
    now = unchecked_now(view)
    running = view.data.result("result_check_days")
    at_work = int(((~running["day_over"].astype(bool)) & (running["splices"] > 0)).sum())
    line = unchecked_sentence(now, at_work) if len(running) else "No workday is on record yet."
    head = html.Div([heading("Checks", line), _filters(view)], className="heading-row case-heading")
    if running.empty:
        return html.Div(
            [
                head,
                notice("Checks are counted from the first day on which a splicer has spliced."),
            ]
        )
    if days.empty:
        return html.Div(
            [head, unchecked_card(view, now, at_work), notice("No workdays in this period.")]
        )
    return html.Div([head, unchecked_card(view, now, at_work), *_days_and_weeks(view)])


@kept_with_results
def _days_and_weeks(view: View) -> list[Any]:
    """Return the calendar, the weeks, shares in time and what was missed."""
    days = check_days(view)
    by_week = unchecked_weeks(_weeks(view), scheme=view.scheme)
    in_time = compliance_weeks(_weeks(view), scheme=view.scheme)
    return [
        _calendar(view, days),
        html.Div(
            [
                chart(
                    by_week.title or "Splices on an unchecked arc",
                    by_week,
                    csv=csv_link("/checks", "unchecked-weeks", view.query),
                    hint="Before a late check, and all of a day on which no check passed.",
                    legend=False,
                ),
                chart(
                    in_time.title or "Checked in time, week by week",
                    in_time,
                    csv=csv_link("/checks", "compliance-weeks", view.query),
                    hint="Share of finished workdays checked before the first splice; the bar "
                    "is its 95 % interval, given so many days.",
                    legend=False,
                ),
            ],
            className="side-by-side",
        ),
        html.Div(
            [
                shares(
                    view,
                    days,
                    "splicer",
                    "In time, by splicer",
                    "compliance",
                    "Finished workdays of each splicer, with the 95 % interval.",
                ),
                _by_technician(view, days),
            ],
            className="side-by-side",
        ),
        misses(days),
    ]


def _filters(view: View) -> html.Details:
    chosen = view.query.get("period", DEFAULT_PERIOD)
    names = view.data.splicers()
    splicer = view.query.get("splicer")
    period_words = PERIODS.get(chosen, PERIODS[DEFAULT_PERIOD])
    return html.Details(
        [
            html.Summary(f"{period_words}, {splicer or 'all'}", className="button"),
            html.Div(
                [
                    period(view, DEFAULT_PERIOD),
                    select("splicer", "Splicer", [(name, name) for name in names], splicer),
                ],
                className="filters",
            ),
        ],
        open="period" in view.query or "splicer" in view.query,
        className="case-filters",
    )


def _by_technician(view: View, days: pd.DataFrame) -> Any:
    """Return the shares of people, where figures about people may be shown."""
    if not view.data.people.any_pages:
        return card(notice(HIDDEN), title="In time, by technician")
    return shares(
        view,
        days,
        "technician",
        "In time, by technician",
        "compliance-technicians",
        "Days on which each person made most of a splicer's splices. For coaching: by name, not "
        "by rank.",
    )


def _legend() -> html.Ul:
    return html.Ul(
        [
            html.Li(
                [html.Span(glyph, className=f"cell cell-{key}", **{"aria-hidden": "true"}), text]
            )
            for key, (glyph, text) in STATUS.items()
        ],
        className="legend",
        **{"aria-label": "What the letters mean"},
    )


def _calendar(view: View, days: pd.DataFrame) -> html.Section:
    oldest_first = sorted(days["day"].unique())
    splicers = days["splicer"].nunique()
    columns = oldest_first[-min(CALENDAR_DAYS, max(CALENDAR_CELLS // splicers, 1)) :]
    left_out = len(oldest_first) - len(columns)
    return card(
        _legend(),
        # a region that scrolls, which the keyboard reaches; the newest day is in sight at first
        html.Div(
            static_part(calendar_table(days[days["day"].isin(columns)], columns)),
            className="calendar",
            tabIndex="0",
            role="region",
            **{"aria-label": "Day by day", "data-scrolled": "right"},
        ),
        html.P(
            "Oldest day on the left."
            + (
                f" {count_text(left_out, 'older day')} {'is' if left_out == 1 else 'are'} in the "
                "CSV."
                if left_out
                else ""
            ),
            className="muted hint",
        ),
        title="Day by day",
        aside=csv_button("/checks", "check-days", view.query, "check days"),
    )


def calendar_table(days: pd.DataFrame, columns: Sequence[str]) -> html.Table:
    """Return a row a splicer: a letter for each of its days, and tooltips of some."""
    months = Counter(f"{pd.Timestamp(day):%b %Y}" for day in columns)
    rows: dict[str, dict[str, html.Td]] = {}
    for day in days.sort_values("splicer").to_dict("records"):
        rows.setdefault(day["splicer"], {})[day["day"]] = _day_cell(day)
    return html.Table(
        [
            html.Thead(
                [
                    html.Tr(
                        [
                            html.Td(),
                            *(
                                html.Th(html.Span(month), colSpan=count, scope="colgroup")
                                for month, count in months.items()
                            ),
                        ],
                        className="month-heads",
                    ),
                    html.Tr(
                        [
                            html.Th("Splicer", scope="col"),
                            *(html.Th(str(int(day[8:])), scope="col") for day in columns),
                        ],
                        className="day-heads",
                    ),
                ]
            ),
            html.Tbody(
                [
                    html.Tr(
                        [
                            html.Th(
                                dcc.Link(splicer, href=href("/splicer", splicer=splicer)),
                                scope="row",
                            ),
                            *(cells.get(day, html.Td()) for day in columns),
                        ]
                    )
                    for splicer, cells in rows.items()
                ]
            ),
        ]
    )


def _day_cell(day: Mapping[Hashable, Any]) -> html.Td:
    status = str(day["status"])
    told = {"title": _tooltip(day)} if status in EXPLAINED_STATUSES else {}
    return html.Td(STATUS[status][0], className=f"day-{status}", **told)


def _tooltip(day: Mapping[Hashable, Any]) -> str:
    status = day["status"]
    text = f"{day['splicer']}, {shown_day(day['day'])}: {STATUS[status][1]}"
    if status == "late":
        return f"{text}, {count_text(int(day['splices_before_check']), 'splice')} before it"
    return f"{text}, {count_text(int(day['splices']), 'splice')}"
