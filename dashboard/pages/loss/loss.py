"""The Loss page: how the crew's loss stands, and each splicer and program on one scale."""

from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import dcc, html

from arcdrift.wording import count_text
from dashboard import ids
from dashboard.components import (
    PERIODS,
    View,
    card,
    csv_button,
    folded,
    heading,
    notice,
    period,
    select,
    severity_tag,
)
from dashboard.grids import work_list_options
from dashboard.kept_parts import kept_with_events
from dashboard.pages.findings.finding_words import finding_title
from dashboard.pages.loss.agreement_card import agreement_card, agreement_rows
from dashboard.pages.loss.crew import (
    answers,
    crew_days,
    crew_evidence,
    shared_days,
    together_part,
    weeks_chart,
    weeks_table,
)
from dashboard.pages.loss.loss_changes import with_open_changes
from dashboard.pages.loss.small_cards import CARDS, remaining_cards, small_cards
from dashboard.pages.loss.stream import (
    DEFAULT_PERIOD,
    STATES,
    change_words,
    evidence_part,
    exceptions,
    far_out_part,
    one_stream,
    open_loss_findings,
    render_stream,
    severity_rank,
    splices,
    splices_part,
    state_words,
    usual_part,
)
from dashboard.pages.loss.subject import one_subject, render_subject, subject_evidence_part
from dashboard.url_query import href

PHONE_ROWS = 25


def _urgency(finding: dict[str, Any]) -> float:
    """Sort key of a finding: severity, then changes of level before single splices over a limit."""
    return severity_rank(finding) + (0.5 if finding["kind"] == "loss-over-limit" else 0.0)


def streams(view: View) -> pd.DataFrame:
    """Return splicers and programs under the URL's filters, the largest rise first.

    Open changes come before others. Adds ``change`` against the usual loss (since the onset of an
    open change, else of the last days), and ``severity`` and ``finding`` of the most severe open
    loss finding.
    """
    rows = with_open_changes(view, view.data.result("result_streams"))
    for key in ("splicer", "program", "state"):
        if view.query.get(key):
            rows = rows[rows[key] == view.query[key]]
    worst: dict[str, dict[str, Any]] = {}
    for finding in sorted(open_loss_findings(view.data), key=_urgency):
        worst.setdefault(finding["subject"]["id"], finding)
    names = rows["splicer"] + " / " + rows["program"]
    is_open = rows["change"].notna() & rows["change_since"].notna()
    rows = rows.assign(
        change=rows["change"].fillna(rows["recent_db"] / rows["baseline_db"] - 1).astype(float),
        severity=names.map({name: finding["severity"] for name, finding in worst.items()}),
        finding=names.map({name: finding_title(finding) for name, finding in worst.items()}),
    )
    rise = is_open & (rows["change"] > 0)
    few = rows["state"].eq("too-few")
    return (
        rows.assign(rise=~rise, few=few)
        .sort_values(
            ["rise", "few", "change", "splicer", "program"],
            ascending=[True, True, False, True, True],
        )
        .drop(columns=["rise", "few"])
    )


TABLES = {
    "crew-weeks": weeks_table,
    "crew-days": crew_days,
    "crew-evidence": crew_evidence,
    "shared-days": shared_days,
    "subject-days": one_subject,
    "splicers-and-programs": streams,
    "days": one_stream,
    "splices": splices,
    "exceptions": exceptions,
    "agreement": agreement_rows,
}
FOLDED = {
    "more": kept_with_events(lambda view: remaining_cards(view, streams(view))),
    "table": kept_with_events(lambda view: _grid(view, streams(view))),
    "together": kept_with_events(together_part),
    "evidence": kept_with_events(evidence_part),
    "far-out": far_out_part,
    "splice-list": splices_part,
    "usual": usual_part,
    "subject-evidence": kept_with_events(subject_evidence_part),
    "agreement": kept_with_events(agreement_card),
}


@kept_with_events
def render(view: View) -> html.Div:
    """Return the page."""
    if view.query.get("subject"):
        return render_subject(view)
    known = with_open_changes(view, view.data.result("result_streams"))
    filters = _filters(view, known)
    if _is_stream(view):
        return render_stream(view, known, filters)
    rows = streams(view)
    more = int(rows["baseline_db"].notna().sum()) - CARDS
    return html.Div(
        [
            html.Div(
                [
                    heading("Loss", "Estimated loss of a splice: the crew, each splicer, program."),
                    filters,
                ],
                className="heading-row loss-head",
            ),
            answers(view, rows),
            weeks_chart(view),
            small_cards(view, rows),
            folded(f"{count_text(more, 'more small chart')}", "loss", "more", view.query)
            if more > 0
            else None,
            folded(
                f"All {count_text(len(rows), 'splicer and program')} as a table"
                if len(rows) == 1 else f"All {len(rows)} as a table",
                "loss", "table", view.query,
            ),
            folded("All together: days that moved everybody, people, sites", "loss", "together",
                   view.query),
            folded("Estimate against measurement", "loss", "agreement", view.query),
        ]
    )  # fmt: skip


def _filters(view: View, known: pd.DataFrame) -> html.Details:
    """Return what can be chosen, folded while nothing is."""
    chosen = [
        period(view, DEFAULT_PERIOD),
        *(
            select(key, text, [(name, name) for name in sorted(known[key].unique())],
                   view.query.get(key))
            for key, text in (("splicer", "Splicer"), ("program", "Program"))
        ),
    ]  # fmt: skip
    if not _is_stream(view):
        chosen.append(select("state", "State", list(STATES.items()), view.query.get("state")))
    return html.Details(
        [
            html.Summary(f"Choose ({PERIODS[view.period(DEFAULT_PERIOD)]})", className="button"),
            html.Div(chosen, className="filters"),
        ],
        open=any(key in view.query for key in ("state", "period")),
        className="case-filters",
    )


def _is_stream(view: View) -> bool:
    return bool(view.query.get("splicer") and view.query.get("program"))


def _grid(view: View, rows: pd.DataFrame) -> html.Section:
    if rows.empty:
        return card(
            notice("No splicer and program matches. Clear a choice to see more."),
            title="All splicers and programs",
        )
    period_query = {"period": view.query.get("period")}
    three = {"function": "params.value == null ? '–' : d3.format('.3f')(params.value)"}
    share = {
        "function": "params.value == null ? '–' : d3.format('+.0f')(100 * params.value) + ' %'"
    }
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
        title=f"Splicers and programs ({len(records)})",
        aside=csv_button("/loss", "splicers-and-programs", view.query, "splicers and programs"),
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
