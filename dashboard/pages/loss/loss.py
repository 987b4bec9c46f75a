"""The Loss page: the crew's trend and its streams, those that need attention first."""

from typing import Any
from urllib.parse import quote

import dash_ag_grid as dag
import pandas as pd
from dash import dcc, html

from arcdrift.finding import SEVERITY_ORDER
from dashboard import ids
from dashboard.components import (
    View,
    card,
    csv_button,
    heading,
    notice,
    period,
    select,
    severity_tag,
)
from dashboard.grids import work_list_options
from dashboard.pages.findings.finding_words import finding_title
from dashboard.pages.loss.agreement_card import agreement_card, agreement_rows
from dashboard.pages.loss.crew import crew_charts, crew_days, crew_evidence, rolled_up, shared_days
from dashboard.pages.loss.stream import (
    DEFAULT_PERIOD,
    STATES,
    change_words,
    exceptions,
    one_stream,
    open_loss_findings,
    render_stream,
    severity_rank,
    splices,
    state_words,
)
from dashboard.pages.loss.subject import one_subject, render_subject
from dashboard.sparkline import sparkline
from dashboard.url_query import href

SPARK_DAYS = 30
CARDS = 8
PHONE_ROWS = 25


def _urgency(finding: dict[str, Any]) -> float:
    """Sort key of a finding: severity, then changes of level before single splices over a limit."""
    return severity_rank(finding) + (0.5 if finding["kind"] == "loss-over-limit" else 0.0)


def streams(view: View) -> pd.DataFrame:
    """Return streams under the URL's filters, those that need attention first.

    Adds ``change`` against the usual loss (since the onset of an open change, else of the last
    days), and ``severity`` and
    ``finding`` of the stream's most severe open loss finding.
    """
    rows = view.data.result("result_streams")
    for key in ("splicer", "program", "state"):
        if view.query.get(key):
            rows = rows[rows[key] == view.query[key]]
    worst: dict[str, dict[str, Any]] = {}
    for finding in sorted(open_loss_findings(view.data), key=_urgency):
        worst.setdefault(finding["subject"]["id"], finding)
    names = rows["splicer"] + " / " + rows["program"]
    rows = rows.assign(
        change=rows["change"].fillna(rows["recent_db"] / rows["baseline_db"] - 1).astype(float),
        severity=names.map({name: finding["severity"] for name, finding in worst.items()}),
        urgency=names.map({name: _urgency(finding) for name, finding in worst.items()}),
        finding=names.map({name: finding_title(finding) for name, finding in worst.items()}),
    )
    rank = rows["urgency"].astype(float).fillna(len(SEVERITY_ORDER))
    state = rows["state"].map({"charted": 0, "learning": 1}).fillna(2)
    return (
        rows.assign(rank=rank, order=state)
        .sort_values(
            ["rank", "order", "change", "splicer", "program"],
            ascending=[True, True, False, True, True],
        )
        .drop(columns=["rank", "order", "urgency"])
    )


TABLES = {
    "crew-days": crew_days,
    "crew-evidence": crew_evidence,
    "shared-days": shared_days,
    "subject-days": one_subject,
    "streams": streams,
    "stream-days": one_stream,
    "splices": splices,
    "exceptions": exceptions,
    "agreement": agreement_rows,
}


def render(view: View) -> html.Div:
    """Return the page."""
    if view.query.get("subject"):
        return render_subject(view)
    known = view.data.result("result_streams")
    filters = html.Div(
        [
            period(view, DEFAULT_PERIOD),
            select(
                "splicer",
                "Splicer",
                [(name, name) for name in sorted(known["splicer"].unique())],
                view.query.get("splicer"),
            ),
            select(
                "program",
                "Program",
                [(name, name) for name in sorted(known["program"].unique())],
                view.query.get("program"),
            ),
            None
            if _is_stream(view)
            else select("state", "State", list(STATES.items()), view.query.get("state")),
        ],
        className="filters",
    )
    if _is_stream(view):
        return render_stream(view, known, filters)
    rows = streams(view)
    return html.Div(
        [
            heading("Loss", "Estimated splice loss of the crew, and of each splicer and program."),
            filters,
            *crew_charts(view),
            _cards(view, rows),
            _grid(view, rows),
            rolled_up(view),
            agreement_card(view),
        ]
    )


def _is_stream(view: View) -> bool:
    return bool(view.query.get("splicer") and view.query.get("program"))


def _cards(view: View, rows: pd.DataFrame) -> html.Section | None:
    """Return small charts of the streams that need attention first."""
    if rows.empty:
        return None
    period_query = {"period": view.query.get("period")}
    articles = []
    for row in rows.head(CARDS).to_dict("records"):
        days = view.data.result(
            "result_stream_days", splicer=row["splicer"], program=row["program"]
        )
        recent = days.sort_values("day").tail(SPARK_DAYS)
        name = f"{row['splicer']} / {row['program']}"
        alt = f"{name}: last {len(recent)} days, {change_words(row)}"
        articles.append(
            dcc.Link(
                [
                    html.Div(
                        [
                            html.Strong(name),
                            severity_tag(row["severity"]) if pd.notna(row["severity"]) else None,
                        ],
                        className="row spread",
                    ),
                    html.Div(
                        row["finding"] if pd.notna(row["finding"]) else state_words(row),
                        className="muted",
                    ),
                    html.Img(
                        src="data:image/svg+xml," + quote(sparkline(recent, view.scheme)),
                        alt=alt,
                    ),
                    html.Div(
                        [
                            html.Span(
                                "last 10 days "
                                + (
                                    f"{row['recent_db']:.3f} dB"
                                    if pd.notna(row["recent_db"])
                                    else "not known"
                                )
                            ),
                            html.Span(change_words(row), className="muted"),
                        ],
                        className="row spread",
                    ),
                ],
                href=href("/loss", period_query, splicer=row["splicer"], program=row["program"]),
                className="stream-card",
            )
        )
    return card(
        html.P(
            f"Line: mean of each of the last {SPARK_DAYS} days, high values capped. Dashes: "
            "expected, high values capped. Triangles: alarms. The numbers below count every "
            "splice as logged.",
            className="muted hint",
        ),
        html.Div(articles, className="stream-cards"),
        title="Look here first",
    )


def _grid(view: View, rows: pd.DataFrame) -> html.Section:
    if rows.empty:
        return card(notice("No stream matches. Clear a filter to see more."), title="All streams")
    period_query = {"period": view.query.get("period")}
    three = {"function": "params.value == null ? '–' : d3.format('.3f')(params.value)"}
    share = {"function": "params.value == null ? '–' : d3.format('+.0%')(params.value)"}
    records = [
        {
            "splicer": row["splicer"],
            "program": row["program"],
            "state": state_words(row),
            "baseline": _or_none(row["baseline_db"]),
            "recent": _or_none(row["recent_db"]),
            "change": _share(row["change"]),
            "finding": row["finding"] if pd.notna(row["finding"]) else "",
            "alarms": int(row["alarms_up"]) + int(row["alarms_down"]),
            "last": row["last_day"],
            "href": href("/loss", period_query, splicer=row["splicer"], program=row["program"]),
        }
        for row in rows.to_dict("records")
    ]
    grid = dag.AgGrid(
        id=ids.link_grid("streams"),
        rowData=records,
        columnDefs=[
            {
                "field": "splicer",
                "headerName": "Splicer",
                "width": 104,
                "flex": None,
                "pinned": "left",
            },
            {"field": "program", "headerName": "Program", "minWidth": 180, "flex": 3},
            {
                "field": "finding",
                "headerName": "Open finding",
                "minWidth": 150,
                "flex": 3,
                "wrapText": True,
                "autoHeight": True,
            },
            {
                "field": "recent",
                "headerName": "Last 10 days, dB",
                "type": "rightAligned",
                "valueFormatter": three,
                "minWidth": 130,
            },
            {
                "field": "baseline",
                "headerName": "Usual, dB",
                "type": "rightAligned",
                "valueFormatter": three,
                "minWidth": 116,
            },
            {
                "field": "change",
                "headerName": "Change",
                "type": "rightAligned",
                "valueFormatter": share,
                "minWidth": 104,
            },
            {"field": "state", "headerName": "State", "minWidth": 175, "flex": 3},
            {
                "field": "alarms",
                "headerName": "Alarms",
                "type": "rightAligned",
                "minWidth": 84,
            },
            {"field": "last", "headerName": "Last used", "minWidth": 112},
        ],
        defaultColDef={"resizable": True, "sortable": True, "flex": 2},
        dashGridOptions=work_list_options(len(records)),
        style={"height": None},
    )
    phone = html.Ul(
        [html.Li(_line(row, period_query)) for row in rows.head(PHONE_ROWS).to_dict("records")],
        className="finding-list",
    )
    more = len(rows) - PHONE_ROWS
    return card(
        html.P("Choose a row to open its chart.", className="muted hint wide-only"),
        html.Div(grid, className="wide-only"),
        html.Div(
            [phone, html.P(f"{more} more: narrow the filters.") if more > 0 else None],
            className="phone-only",
        ),
        title=f"{len(records)} stream{'s' if len(records) != 1 else ''}",
        aside=csv_button("/loss", "streams", view.query, "the streams"),
    )


def _line(row: dict[Any, Any], period_query: dict[str, Any]) -> dcc.Link:
    recent = "not known" if pd.isna(row["recent_db"]) else f"{row['recent_db']:.3f} dB"
    return dcc.Link(
        [
            html.Div(
                [
                    html.Strong(f"{row['splicer']} / {row['program']}"),
                    severity_tag(row["severity"]) if pd.notna(row["severity"]) else None,
                ],
                className="row",
            ),
            html.Div(row["finding"] if pd.notna(row["finding"]) else state_words(row)),
            html.Div(f"last 10 days {recent}, {change_words(row)}", className="muted"),
        ],
        href=href("/loss", period_query, splicer=row["splicer"], program=row["program"]),
        className="finding-link",
    )


def _share(value: Any) -> float | None:
    # rounded here, and freed of the sign of zero: the grid would show a share of -0.2 % as -0 %
    return None if pd.isna(value) else round(float(value), 2) + 0.0


def _or_none(value: Any) -> float | None:
    return None if pd.isna(value) else float(value)
