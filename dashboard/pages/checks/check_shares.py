"""Parts of the Checks page: shares checked in time, and the workdays that were not."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.checks.compliance import By
from arcdrift.figures.checks import compliance_dots, compliance_table
from arcdrift.wording import count_text
from dashboard.components import View, card, chart, csv_link, notice, shown_day, status_tag
from dashboard.url_query import href

MISSES = ("missed", "failed-only", "late")
MOST_MISSES = 40
FEW_ROWS = 16
"""Rows up to which a chart of shares is open; a longer one is one tap away."""


def shares(view: View, days: pd.DataFrame, by: By, title: str, table: str, hint: str) -> Any:
    """Return the chart of shares checked in time, folded where it is long.

    Parameters
    ----------
    table : str
        Name of the table behind it, for the CSV link.
    """
    rows = compliance_table(days, by)
    picture = compliance_dots(rows, by, scheme=view.scheme)
    drawn = chart(
        title, picture, csv=csv_link("/checks", table, view.query), hint=hint, legend=False
    )
    if len(rows) <= FEW_ROWS:
        return drawn
    return html.Details(
        [
            html.Summary(f"{title}: {count_text(len(rows), by)}"),
            html.Div(drawn, className="folded"),
        ],
        className="card fold",
    )


def misses(days: pd.DataFrame) -> html.Section:
    """Return the workdays that were not checked in time, folded."""
    found = days[days["status"].isin(MISSES) & days["day_over"].astype(bool)]
    found = found.sort_values(["day", "splicer"], ascending=[False, True])
    finished = days["day_over"].astype(bool) & (days["status"] != "no-work")
    if not finished.any():
        return card(notice("No finished workday in this period."), title="Not checked in time")
    if found.empty:
        return card(
            notice("Every finished workday was checked in time.", name="good"),
            title="Not checked in time",
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
        for row in found.head(MOST_MISSES).to_dict("records")
    ]
    more = len(found) - len(items)
    table = html.Table(
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
    )
    older = f"{count_text(more, 'older one')} {'is' if more == 1 else 'are'} in the CSV above."
    return html.Section(
        html.Details(
            [
                html.Summary(f"{count_text(len(found), 'workday')} not checked in time"),
                html.Div(table, className="scroll-x"),
                html.P(older, className="muted") if more > 0 else None,
            ]
        ),
        className="card closed-cases",
    )


def _what_happened(row: Mapping[Hashable, Any]) -> str:
    splices = count_text(int(row["splices"]), "splice")
    if row["status"] == "late":
        return f"{int(row['splices_before_check'])} of {splices} before the check"
    if row["status"] == "failed-only":
        after = count_text(int(row["splices_after_failure"]), "splice")
        attempts = count_text(int(row["failed_attempts"]), "failed attempt")
        return f"{attempts}, {after} after a failure"
    return f"{splices}, no check"
