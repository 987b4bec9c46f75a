"""The Checks page: daily arc checks day by day, and shares of days checked in time."""

from collections.abc import Callable, Hashable, Mapping
from datetime import date, timedelta
from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import dcc, html

from arcdrift.analysis.checks.compliance import By
from arcdrift.figures.checks import compliance_table, compliance_weeks
from arcdrift.people import HIDDEN
from dashboard import ids
from dashboard.components import (
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
    status_tag,
)
from dashboard.grids import work_list_options
from dashboard.pages.checks.check_shares import due_today, shares
from dashboard.url_query import href

DEFAULT_PERIOD = "30"
DAY_WIDTH = 32
CALENDAR_DAYS = 370
MOST_MISSES = 40
CELL_RULES = {
    f"day-{status}": f"params.value == '{glyph}'" for status, (glyph, _) in STATUS.items()
}
EXPLAINED_STATUSES = ("late", "failed-only", "missed", "due")
"""Statuses whose cells in the calendar have a tooltip."""
MISSES = ("missed", "failed-only", "late")


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
    "compliance-weeks": lambda view: compliance_weeks(_weeks(view)).table,
}


def render(view: View) -> html.Div:
    """Return the page."""
    days = check_days(view)
    filters = html.Div(
        [
            period(view, DEFAULT_PERIOD),
            select(
                "splicer",
                "Splicer",
                [(name, name) for name in view.data.splicers()],
                view.query.get("splicer"),
            ),
        ],
        className="filters",
    )
    title = heading(
        "Checks", "Was each splicer's arc checked before its first splice of the workday?"
    )
    if days.empty:
        return html.Div([title, filters, notice("No workdays in this period.")])
    return html.Div(
        [
            title,
            filters,
            due_today(view, days),
            _calendar(view, days),
            chart(
                "Checked in time, week by week",
                compliance_weeks(_weeks(view), scheme=view.scheme),
                csv=csv_link("/checks", "compliance-weeks", view.query),
                hint="Dot: share of finished workdays checked before the first splice. "
                "Bar: where the true share lies with 95 % confidence, given so many days.",
                legend=False,
            ),
            html.Div(
                [
                    shares(
                        view,
                        days,
                        "splicer",
                        "By splicer",
                        "compliance",
                        "Finished workdays of each splicer.",
                    ),
                    _by_technician(view, days),
                ],
                className="side-by-side",
            ),
            _misses(days),
        ]
    )


def _by_technician(view: View, days: pd.DataFrame) -> html.Section:
    """Return the shares of people, where figures about people may be shown."""
    if not view.data.people.any_pages:
        return card(notice(HIDDEN), title="By technician")
    return shares(
        view,
        days,
        "technician",
        "By technician",
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
    newest_first = sorted(days["day"].unique(), reverse=True)
    columns = newest_first[:CALENDAR_DAYS]
    left_out = len(newest_first) - len(columns)
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
    grid = dag.AgGrid(
        id=ids.link_grid("calendar"),
        rowData=calendar_rows(days[days["day"].isin(columns)]),
        columnDefs=[
            {"field": "splicer", "headerName": "Splicer", "width": 104, "pinned": "left"},
            *(
                {"headerName": month, "children": children, "headerClass": "month-head"}
                for month, children in months.items()
            ),
        ],
        defaultColDef={"resizable": False, "sortable": False, "suppressMovable": True},
        dashGridOptions=work_list_options(1)
        | {"rowHeight": 32, "headerHeight": 30, "groupHeaderHeight": 28, "tooltipShowDelay": 300},
        style={"height": None},
        className="calendar",
    )
    return card(
        _legend(),
        grid,
        html.P(
            "Newest day on the left. Choose a row to open its splicer."
            + (f" {left_out} older days are in the CSV." if left_out else ""),
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
        return f"{text}, {int(day['splices_before_check'])} splices before it"
    return f"{text}, {int(day['splices'])} splices"


def _misses(days: pd.DataFrame) -> html.Section:
    misses = days[days["status"].isin(MISSES) & days["day_over"].astype(bool)]
    misses = misses.sort_values(["day", "splicer"], ascending=[False, True])
    finished = days["day_over"].astype(bool) & (days["status"] != "no-work")
    if not finished.any():
        return card(notice("No finished workday in this period."), title="Misses")
    if misses.empty:
        return card(
            notice("Every finished workday was checked in time.", name="good"), title="Misses"
        )
    items = [
        html.Tr(
            [
                html.Td(shown_day(row["day"])),
                html.Td(dcc.Link(row["splicer"], href=href("/splicer", splicer=row["splicer"]))),
                html.Td(status_tag(row["status"])),
                html.Td(_what_happened(row)),
            ]
        )
        for row in misses.head(MOST_MISSES).to_dict("records")
    ]
    more = len(misses) - len(items)
    return card(
        html.Div(
            html.Table(
                [
                    html.Thead(
                        html.Tr(
                            [
                                html.Th(text, scope="col")
                                for text in ("Day", "Splicer", "Status", "What happened")
                            ]
                        )
                    ),
                    html.Tbody(items),
                ],
                className="plain-table misses",
            ),
            className="scroll-x",
        ),
        html.P(f"{more} older ones are in the CSV above.", className="muted") if more > 0 else None,
        title=f"{len(misses)} workday{'s' if len(misses) != 1 else ''} not checked in time",
    )


def _what_happened(row: Mapping[Hashable, Any]) -> str:
    splices = int(row["splices"])
    if row["status"] == "late":
        return f"{int(row['splices_before_check'])} of {splices} splices before the check"
    if row["status"] == "failed-only":
        return (
            f"{int(row['failed_attempts'])} failed attempts, "
            f"{int(row['splices_after_failure'])} splices after a failure"
        )
    return f"{splices} splices, no check"
