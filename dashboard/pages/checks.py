"""Checks: the daily arc checks, day by day and splicer by splicer."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.figures.checks import compliance, compliance_table
from dashboard.parts import (
    STATUS,
    View,
    card,
    chart,
    csv_link,
    heading,
    notice,
    period,
    select,
    shown_day,
    status_tag,
)
from dashboard.query import href

DEFAULT_PERIOD = "30"
CALENDAR_DAYS = 120
MOST_MISSES = 40
MISSES = ("missed", "failed-only", "late")


def check_days(view: View) -> pd.DataFrame:
    """Check days under the URL's filters, oldest first."""
    days = view.data.result("result_check_days")
    first = view.first_day(DEFAULT_PERIOD)
    kept = days[days["day"] >= first] if first else days
    if view.query.get("splicer"):
        kept = kept[kept["splicer"] == view.query["splicer"]]
    return kept.sort_values(["day", "splicer"])


def _compliance(view: View) -> pd.DataFrame:
    return compliance_table(check_days(view))


TABLES = {"check-days": check_days, "compliance": _compliance}


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
            _calendar(view, days),
            chart(
                "Checked in time",
                compliance(days, scheme=view.scheme),
                csv=csv_link("/checks", "compliance", view.query),
                hint="Dot: share of finished workdays checked before the first splice. Bar: where "
                "the true share lies with 95 % confidence, given so many days.",
                legend=False,
            ),
            _misses(days),
        ]
    )


def _legend() -> html.Ul:
    return html.Ul(
        [
            html.Li(
                [html.Span(glyph, className=f"cell cell-{key}", **{"aria-hidden": "true"}), words]
            )
            for key, (glyph, words) in STATUS.items()
        ],
        className="legend",
        **{"aria-label": "What the letters mean"},
    )


def _calendar(view: View, days: pd.DataFrame) -> html.Section:
    newest_first = sorted(days["day"].unique(), reverse=True)
    columns = newest_first[:CALENDAR_DAYS]
    by_key = days[days["day"].isin(columns)].set_index(["splicer", "day"])
    rows = dict(zip(by_key.index, by_key.to_dict("records"), strict=True))
    months: list[tuple[str, int]] = []
    for day in columns:
        month = f"{pd.Timestamp(day):%b %Y}"
        if months and months[-1][0] == month:
            months[-1] = (month, months[-1][1] + 1)
        else:
            months.append((month, 1))
    head = html.Thead(
        [
            html.Tr(
                [html.Td(className="corner")]
                + [
                    html.Th(
                        html.Span(month if span > 2 else month[:3]), colSpan=span, scope="colgroup"
                    )
                    for month, span in months
                ]
            ),
            html.Tr(
                [html.Th("Splicer", scope="col", className="corner")]
                + [html.Th(day[8:], scope="col", **{"aria-label": day}) for day in columns]
            ),
        ]
    )
    body = html.Tbody(
        [
            html.Tr(
                [html.Th(dcc.Link(splicer, href=href("/splicer", splicer=splicer)), scope="row")]
                + [_cell(splicer, day, rows.get((splicer, day))) for day in columns]
            )
            for splicer in sorted(days["splicer"].unique())
        ]
    )
    left_out = len(newest_first) - len(columns)
    return card(
        _legend(),
        html.Div(
            html.Table([head, body], className="calendar"),
            className="scroll-x",
            tabIndex="0",
            role="region",
            **{"aria-label": "Calendar of arc checks, newest day first"},
        ),
        html.P(
            "Newest day on the left."
            + (f" {left_out} older days are in the CSV." if left_out > 0 else ""),
            className="muted hint",
        ),
        title="Day by day",
        aside=html.A(
            "CSV",
            href=csv_link("/checks", "check-days", view.query),
            className="csv",
            **{"aria-label": "Download check days as CSV"},
        ),
    )


def _cell(splicer: str, day: str, row: dict[str, Any] | None) -> html.Td:
    if row is None:
        return html.Td("")
    status = row["status"]
    glyph, words = STATUS[status]
    said = f"{splicer}, {shown_day(day)}: {words}"
    if status == "late":
        said += f", {int(row['splices_before_check'])} splices before it"
    elif status != "no-work":
        said += f", {int(row['splices'])} splices"
    return html.Td(
        html.Span(glyph, className=f"cell cell-{status}", title=said, **{"aria-label": said}),
    )


def _misses(days: pd.DataFrame) -> html.Section:
    bad = days[days["status"].isin(MISSES) & days["day_over"].astype(bool)]
    bad = bad.sort_values(["day", "splicer"], ascending=[False, True])
    if bad.empty:
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
        for row in bad.head(MOST_MISSES).to_dict("records")
    ]
    more = len(bad) - len(items)
    return card(
        html.Div(
            html.Table(
                [
                    html.Thead(
                        html.Tr(
                            [
                                html.Th(words, scope="col")
                                for words in ("Day", "Splicer", "Status", "What happened")
                            ]
                        )
                    ),
                    html.Tbody(items),
                ],
                className="plain-table",
            ),
            className="scroll-x",
        ),
        html.P(f"{more} older ones are in the CSV above.", className="muted") if more > 0 else None,
        title=f"{len(bad)} workday{'s' if len(bad) != 1 else ''} not checked in time",
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
