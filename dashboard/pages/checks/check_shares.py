"""Parts of the Checks page: what is due today, and shares checked in time with their intervals."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.checks.compliance import By, compliance
from arcdrift.wording import count_text
from dashboard.components import View, card, csv_button, notice, share_table, status_tag
from dashboard.url_query import href


def due_today(view: View, days: pd.DataFrame) -> html.Section:
    """Return the card of splicers at work today without a passed check."""
    today = days[~days["day_over"].astype(bool) & (days["splices"] > 0)]
    waiting = today[today["status"].isin(("due", "failed-only"))].sort_values("first_splice_at")
    if today.empty:
        content = notice("No splice yet today. Every splicer is due a check before its first one.")
    elif waiting.empty:
        content = notice("Every splicer at work today has passed its check.", name="good")
    else:
        content = html.Ul(
            [
                html.Li(
                    [
                        dcc.Link(row["splicer"], href=href("/splicer", splicer=row["splicer"])),
                        status_tag(row["status"]),
                        html.Span(_so_far(view, row), className="muted"),
                    ],
                    className="row",
                )
                for row in waiting.to_dict("records")
            ],
            className="due-list",
        )
    return card(content, title="Due today")


def _so_far(view: View, row: Mapping[Hashable, Any]) -> str:
    start = row["first_splice_at"].astimezone(view.data.zone(row["site"]))
    count = int(row["splices"])
    failed = int(row["failed_attempts"])
    failed_text = f", {count_text(failed, 'failed attempt')}" if failed else ""
    return f"{count_text(count, 'splice')} since {start:%H:%M}{failed_text}"


def shares(
    view: View, days: pd.DataFrame, by: By, title: str, table: str, hint: str
) -> html.Section:
    """Return a table of shares checked in time, each with its interval.

    Parameters
    ----------
    table : str
        Name of the table behind it, for the CSV link.
    """
    rows = compliance(days, by)
    if not rows:
        return card(notice("No finished workday in this period."), title=title)
    heads = (
        (by.capitalize(), ""),
        ("In time", ""),
        ("Share (95 %)", ""),
        ("", "wide-only"),
        ("Late", "wide-only"),
        ("Failed", "wide-only"),
        ("Missed", "wide-only"),
    )
    return card(
        html.P(hint, className="muted hint"),
        share_table(heads, [_share_row(row, by) for row in rows]),
        title=title,
        aside=csv_button("/checks", table, view.query, f"checked in time {title.lower()}"),
    )


def _share_row(row: Mapping[str, Any], by: By) -> html.Tr:
    low, high = 100 * row["low"], 100 * row["high"]
    name = row[by]
    return html.Tr(
        [
            html.Th(
                dcc.Link(name, href=href("/splicer", splicer=name)) if by == "splicer" else name,
                scope="row",
            ),
            html.Td(f"{row['checked']} of {row['days']}"),
            html.Td(
                [
                    html.Span(f"{100 * row['share']:.0f} %", className="share"),
                    html.Span(f"{low:.0f} to {high:.0f}", className="muted"),
                    html.Div(row["note"], className="muted few") if row["note"] else None,
                ]
            ),
            html.Td(
                html.Div(
                    [
                        html.Div(style={"left": f"{low:.1f}%", "width": f"{high - low:.1f}%"}),
                        html.I(style={"left": f"{100 * row['share']:.1f}%"}),
                    ],
                    className="span",
                    **{"aria-hidden": "true"},
                ),
                className="wide-only",
            ),
            *(
                html.Td(str(row[status]), className="wide-only")
                for status in ("late", "failed-only", "missed")
            ),
        ]
    )
