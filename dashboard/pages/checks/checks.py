"""The Checks page: who works unchecked now, daily arc checks day by day, shares in time."""

from collections.abc import Callable, Hashable, Mapping
from datetime import date, timedelta
from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import html

from arcdrift.analysis.checks.compliance import By
from arcdrift.figures.checks import compliance_table, compliance_weeks, unchecked_weeks
from arcdrift.people import HIDDEN
from arcdrift.wording import count_text
from dashboard import ids
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
from dashboard.grids import work_list_options
from dashboard.kept_parts import kept_with_results
from dashboard.pages.checks.check_shares import misses, shares
from dashboard.pages.checks.unchecked_now import (
    unchecked_card,
    unchecked_now,
    unchecked_sentence,
)
from dashboard.url_query import href

DEFAULT_PERIOD = "30"
DAY_WIDTH = 32
ROW_HEIGHT, HEADER_HEIGHT, GROUP_HEADER_HEIGHT = 32, 30, 28
CALENDAR_DAYS = 370
CELL_RULES = {
    f"day-{status}": f"params.value == '{glyph}'" for status, (glyph, _) in STATUS.items()
}
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
    # a grid draws only the cells in sight; hundreds of cells of HTML take seconds
    oldest_first = sorted(days["day"].unique())
    columns = oldest_first[-CALENDAR_DAYS:]
    left_out = len(oldest_first) - len(columns)
    months: dict[str, list[dict[str, Any]]] = {}
    for day in columns:
        months.setdefault(f"{pd.Timestamp(day):%b %Y}", []).append(
            {
                "field": day,
                "headerName": day[8:],
                "width": DAY_WIDTH,
                "minWidth": DAY_WIDTH,
                "cellClass": "day-cell",
                "headerClass": "day-head",
                "cellClassRules": CELL_RULES,
                "tooltipField": f"{day} tooltip",
            }
        )
    rows = calendar_rows(days[days["day"].isin(columns)])
    # what follows must not move when the grid is drawn
    height = GROUP_HEADER_HEIGHT + HEADER_HEIGHT + ROW_HEIGHT * len(rows)
    grid = dag.AgGrid(
        id=ids.link_grid("calendar"),
        rowData=rows,
        columnDefs=[
            {
                "headerName": "",  # beside the months; a row of headers without any has no meaning
                "children": [
                    {"field": "splicer", "headerName": "Splicer", "width": 104, "pinned": "left"}
                ],
            },
            *(
                {"headerName": month, "children": children, "headerClass": "month-head"}
                for month, children in months.items()
            ),
        ],
        defaultColDef={"resizable": False, "sortable": False, "suppressMovable": True},
        dashGridOptions=work_list_options(1)
        | {
            "rowHeight": ROW_HEIGHT,
            "headerHeight": HEADER_HEIGHT,
            "groupHeaderHeight": GROUP_HEADER_HEIGHT,
            "tooltipShowDelay": 300,
            # the newest day, on the right, is the one in sight at first
            "initialState": {"scroll": {"top": 0, "left": DAY_WIDTH * len(columns)}},
        },
        style={"height": None},
        className="calendar",
    )
    return card(
        _legend(),
        html.Div(grid, style={"minHeight": f"{height}px"}),
        html.P(
            "Oldest day on the left. Choose a row to open its splicer."
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


def calendar_rows(days: pd.DataFrame) -> list[dict[str, str]]:
    """Return one row a splicer: a letter for each of its days, and tooltips of some."""
    rows: dict[str, dict[str, str]] = {}
    for day in days.sort_values("splicer").to_dict("records"):
        splicer = day["splicer"]
        row = rows.setdefault(
            splicer, {"splicer": splicer, "href": href("/splicer", splicer=splicer)}
        )
        row[day["day"]] = STATUS[day["status"]][0]
        if day["status"] in EXPLAINED_STATUSES:
            row[f"{day['day']} tooltip"] = _tooltip(day)
    return list(rows.values())


def _tooltip(day: Mapping[Hashable, Any]) -> str:
    status = day["status"]
    text = f"{day['splicer']}, {shown_day(day['day'])}: {STATUS[status][1]}"
    if status == "late":
        return f"{text}, {count_text(int(day['splices_before_check']), 'splice')} before it"
    return f"{text}, {count_text(int(day['splices']), 'splice')}"
