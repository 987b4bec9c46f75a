"""The Findings page: the work list, beside it the details of the chosen finding."""

from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import dcc, html

from arcdrift.case import STATES
from arcdrift.finding import KINDS, SEVERITY_ORDER
from dashboard import ids
from dashboard.components import (
    View,
    card,
    csv_button,
    heading,
    notice,
    select,
    severity_tag,
    shown_day,
)
from dashboard.grids import work_list_options
from dashboard.pages.findings.detail import finding_detail
from dashboard.pages.findings.finding_words import (
    concerns_splicer,
    finding_title,
    next_step,
    subject_text,
)
from dashboard.url_query import href

COLUMNS = ["severity", "finding", "subject", "since", "summary", "next_step"]
PHONE_ROWS = 25


def filtered_findings(view: View) -> list[dict[str, Any]]:
    """Return findings under the URL's filters: the most severe first, the latest first within."""
    query = view.query
    findings = [
        finding
        for finding in view.data.findings()
        if query.get("severity", finding["severity"]) == finding["severity"]
        and query.get("kind", finding["kind"]) == finding["kind"]
        and ("splicer" not in query or concerns_splicer(finding, query["splicer"]))
    ]
    findings.sort(key=lambda finding: str(finding["until"]), reverse=True)
    return sorted(findings, key=lambda finding: SEVERITY_ORDER[finding["severity"]])


def findings_table(view: View) -> pd.DataFrame:
    """Return the work list as a table."""
    findings = [
        {
            "severity": finding["severity"],
            "finding": finding_title(finding),
            "subject": finding["subject"]["id"],
            "since": finding["since"],
            "until": finding["until"],
            "summary": finding["summary"],
            "next_step": next_step(finding),
            "case": STATES.get(finding["case_state"], ""),
            "id": finding["id"],
        }
        for finding in filtered_findings(view)
    ]
    return pd.DataFrame(findings, columns=[*COLUMNS[:4], "until", *COLUMNS[4:], "case", "id"])


TABLES = {"findings": findings_table}


def render(view: View) -> html.Div:
    """Return the page."""
    findings = filtered_findings(view)
    everything = view.data.findings()
    chosen = next((f for f in everything if f["id"] == view.query.get("finding")), None)
    kinds = sorted({finding["kind"] for finding in everything}, key=lambda kind: KINDS[kind])
    severities = sorted({f["severity"] for f in everything}, key=SEVERITY_ORDER.__getitem__)
    missing = "finding" in view.query and chosen is None
    return html.Div(
        [
            heading("Findings", "What the cases rest on, most severe first."),
            html.Div(
                [
                    select(
                        "severity",
                        "Severity",
                        [(severity, severity) for severity in severities],
                        view.query.get("severity"),
                    ),
                    select(
                        "kind",
                        "Kind",
                        [(kind, KINDS[kind]) for kind in kinds],
                        view.query.get("kind"),
                    ),
                    select(
                        "splicer",
                        "Splicer",
                        [(name, name) for name in view.data.splicers()],
                        view.query.get("splicer"),
                    ),
                ],
                className="filters",
            ),
            notice("That finding is no longer on record; the latest analysis dropped it.")
            if missing
            else None,
            html.Div(
                [
                    finding_detail(view, chosen) if chosen else None,
                    _list(view, findings, chosen),
                ],
                className="work" if chosen else "",
            ),
        ]
    )


def _list(
    view: View, findings: list[dict[str, Any]], chosen: dict[str, Any] | None
) -> html.Section:
    list_query = {key: value for key, value in view.query.items() if key != "finding"}
    if not findings:
        return card(
            notice("No finding matches. Clear a filter to see more.")
            if view.data.findings()
            else notice("No findings: the last analysis saw nothing that needs a person.")
        )
    grid_data = [
        {
            "severity": finding["severity"],
            "finding": finding_title(finding),
            "subject": subject_text(finding),
            "since": shown_day(finding["since"]),
            "summary": finding["summary"],
            "next": next_step(finding),
            "case": STATES.get(finding["case_state"], ""),
            "href": href("/findings", {**list_query, "finding": finding["id"]}),
        }
        for finding in findings
    ]
    grid = dag.AgGrid(
        id=ids.link_grid("findings"),
        rowData=grid_data,
        columnDefs=_columns(beside_detail=chosen is not None),
        defaultColDef={"resizable": True, "sortable": True},
        dashGridOptions=work_list_options(len(findings)),
        style={"height": None},
    )
    phone = html.Ul(
        [
            html.Li(
                dcc.Link(
                    [
                        html.Div(
                            [
                                severity_tag(finding["severity"]),
                                html.Strong(subject_text(finding)),
                                html.Span(shown_day(finding["since"]), className="muted"),
                            ],
                            className="row",
                        ),
                        html.Div(finding_title(finding), className="kind"),
                        html.Div(f"Case: {STATES[finding['case_state']]}", className="muted")
                        if finding["case_state"] in STATES
                        else None,
                        html.Div(finding["summary"]),
                    ],
                    href=href("/findings", {**list_query, "finding": finding["id"]}),
                    className="finding-link",
                )
            )
            for finding in findings[:PHONE_ROWS]
        ],
        className="finding-list",
    )
    more = len(findings) - PHONE_ROWS
    return card(
        html.P(
            "Choose a row for its evidence and likely causes.", className="muted hint wide-only"
        ),
        html.Div(grid, className="wide-only"),
        html.Div(
            [phone, html.P(f"{more} more: narrow the filters.") if more > 0 else None],
            className="phone-only",
        ),
        title=f"{len(findings)} finding{'s' if len(findings) != 1 else ''}",
        aside=csv_button("/findings", "findings", list_query, "the findings"),
    )


def _columns(*, beside_detail: bool) -> list[dict[str, Any]]:
    wrapped = {"wrapText": True, "autoHeight": True}
    severity = {
        "field": "severity",
        "headerName": "Severity",
        "width": 100,
        "cellClassRules": {
            f"severity-{name}": f"params.value == '{name}'" for name in SEVERITY_ORDER
        },
    }
    since = {"field": "since", "headerName": "First alarm", "width": 120, "sortable": False}
    case = {"field": "case", "headerName": "Case", "width": 110} | wrapped
    if beside_detail:
        return [
            severity,
            {"field": "finding", "headerName": "Finding", "flex": 1, "minWidth": 140} | wrapped,
            {"field": "subject", "headerName": "About", "flex": 1, "minWidth": 120} | wrapped,
            since,
        ]
    return [
        severity,
        {"field": "finding", "headerName": "Finding", "width": 170} | wrapped,
        {"field": "subject", "headerName": "About", "width": 130} | wrapped,
        since,
        case,
        {"field": "summary", "headerName": "What was seen", "flex": 1, "minWidth": 230} | wrapped,
        {"field": "next", "headerName": "Next step", "flex": 1, "minWidth": 200} | wrapped,
    ]
