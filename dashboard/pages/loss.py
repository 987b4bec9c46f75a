"""Loss: the crew's trend, its streams by what needs attention, and one stream in full."""

from typing import Any
from urllib.parse import quote

import dash_ag_grid as dag
import pandas as pd
from dash import dcc, html

from arcdrift.figures.loss import crew_trend, stream_days, stream_evidence
from arcdrift.finding import KINDS, SEVERITY_ORDER
from dashboard import ids
from dashboard.data import CrewData
from dashboard.grids import paged_options, work_list_options
from dashboard.pages.findings import onset_range, still_open
from dashboard.parts import (
    View,
    card,
    chart,
    csv_link,
    facts,
    heading,
    notice,
    period,
    select,
    severity_tag,
    shown_day,
    tag,
)
from dashboard.query import href, search
from dashboard.spark import sparkline

DEFAULT_PERIOD = "90"
FULL_AFTER_DAYS = 40
SPARK_DAYS = 30
CARDS = 8
STATES = {"charted": "charted", "learning": "learning", "too-few": "too few days"}
STATE_GLYPH = {"charted": "✓", "learning": "…", "too-few": "·"}


def crew_days(view: View) -> pd.DataFrame:
    """Crew days of the chosen period."""
    days = view.data.result("result_crew_days")
    return days[days["day"] >= view.first_day(DEFAULT_PERIOD)]


def streams(view: View) -> pd.DataFrame:
    """Streams under the URL's filters, those that need attention first.

    Adds ``change``, the recent loss over the expected one less 1, and ``severity`` and
    ``finding`` of the stream's most severe open loss finding.
    """
    rows = view.data.result("result_streams")
    for key in ("splicer", "program", "state"):
        if view.query.get(key):
            rows = rows[rows[key] == view.query[key]]
    worst: dict[str, dict[str, Any]] = {}
    for finding in open_loss_findings(view.data):
        subject = finding["subject"]["id"]
        if subject not in worst or _weight(finding) < _weight(worst[subject]):
            worst[subject] = finding
    names = rows["splicer"] + " / " + rows["program"]
    rows = rows.assign(
        change=rows["recent_db"] / rows["baseline_db"] - 1,
        severity=names.map({name: finding["severity"] for name, finding in worst.items()}),
        finding=names.map({name: KINDS[finding["kind"]] for name, finding in worst.items()}),
    )
    rank = rows["severity"].map(SEVERITY_ORDER).fillna(len(SEVERITY_ORDER))
    state = rows["state"].map({"charted": 0, "learning": 1}).fillna(2)
    return (
        rows.assign(rank=rank, order=state)
        .sort_values(
            ["rank", "order", "change", "splicer", "program"],
            ascending=[True, True, False, True, True],
        )
        .drop(columns=["rank", "order"])
    )


def open_loss_findings(data: CrewData) -> list[dict[str, Any]]:
    """Open findings about the loss of a stream."""
    return [
        finding
        for finding in data.findings()
        if finding["kind"].startswith("loss-")
        and finding["subject"]["type"] == "stream"
        and still_open(finding)
    ]


def _weight(finding: dict[str, Any]) -> int:
    return SEVERITY_ORDER[finding["severity"]]


def one_stream(view: View) -> pd.DataFrame:
    """Days of the stream named in the URL, in the chosen period."""
    days = view.data.result(
        "result_stream_days",
        splicer=view.query.get("splicer", ""),
        program=view.query.get("program", ""),
    )
    return days[days["day"] >= view.first_day(DEFAULT_PERIOD)]


def _splices(view: View) -> pd.DataFrame:
    query = view.query
    page = view.data.splice_page(
        query.get("splicer", ""), query.get("program", ""), rows=None, day=_day(view)
    )
    return page.rows


def _day(view: View) -> str:
    try:
        return pd.Timestamp(view.query["day"]).date().isoformat()
    except (KeyError, ValueError):
        return ""


TABLES = {
    "crew-days": crew_days,
    "streams": streams,
    "stream-days": one_stream,
    "splices": _splices,
}


def render(view: View) -> html.Div:
    """Return the page."""
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
        return _stream(view, known, filters)
    rows = streams(view)
    return html.Div(
        [
            heading("Loss", "Estimated splice loss of the crew, and of each splicer and program."),
            filters,
            chart(
                "The crew, day by day",
                crew_trend(crew_days(view), scheme=view.scheme),
                csv=csv_link("/loss", "crew-days", view.query),
                hint="All splicers and programs together: the filters for splicer and program "
                "choose streams below.",
            ),
            _cards(view, rows),
            _grid(view, rows),
        ]
    )


def _is_stream(view: View) -> bool:
    return bool(view.query.get("splicer") and view.query.get("program"))


def state_words(row: Any) -> str:
    """Return how far a stream's chart is, in words."""
    if row["state"] == "learning":
        return f"learning, day {int(row['segment_days'])} of {FULL_AFTER_DAYS}"
    return STATES.get(row["state"], str(row["state"]))


def _change_words(row: Any) -> str:
    if pd.isna(row["recent_db"]) or pd.isna(row["baseline_db"]):
        return "no expected loss yet"
    change = 100 * (row["recent_db"] / row["baseline_db"] - 1)
    return f"{change:+.0f} % against expected"


def _cards(view: View, rows: pd.DataFrame) -> html.Section | None:
    """Draw the streams that need attention first, small, side by side."""
    if rows.empty:
        return None
    kept = {"period": view.query.get("period")}
    articles = []
    for row in rows.head(CARDS).to_dict("records"):
        days = view.data.result(
            "result_stream_days", splicer=row["splicer"], program=row["program"]
        )
        recent = days.sort_values("day").tail(SPARK_DAYS)
        name = f"{row['splicer']} / {row['program']}"
        label = f"{name}: last {len(recent)} days, {_change_words(row)}"
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
                        src="data:image/svg+xml," + quote(sparkline(recent, view.scheme)), alt=label
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
                            html.Span(_change_words(row), className="muted"),
                        ],
                        className="row spread",
                    ),
                ],
                href=href("/loss", kept, splicer=row["splicer"], program=row["program"]),
                className="stream-card",
            )
        )
    return card(
        html.P(
            f"Line: mean of each of the last {SPARK_DAYS} days. Dashes: expected. "
            "Triangles: alarms.",
            className="muted hint",
        ),
        html.Div(articles, className="stream-cards"),
        title="Look here first",
    )


def _grid(view: View, rows: pd.DataFrame) -> html.Section:
    if rows.empty:
        return card(notice("No stream matches. Clear a filter to see more."), title="All streams")
    kept = {"period": view.query.get("period")}
    three = {"function": "params.value == null ? '–' : d3.format('.3f')(params.value)"}
    share = {"function": "params.value == null ? '–' : d3.format('+.0%')(params.value)"}
    records = [
        {
            "splicer": row["splicer"],
            "program": row["program"],
            "state": state_words(row),
            "expected": _or_none(row["baseline_db"]),
            "recent": _or_none(row["recent_db"]),
            "change": _or_none(row["change"]),
            "finding": row["finding"] if pd.notna(row["finding"]) else "",
            "alarms": int(row["alarms_up"]),
            "last": row["last_day"],
            "href": href("/loss", kept, splicer=row["splicer"], program=row["program"]),
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
            {"field": "finding", "headerName": "Open finding", "minWidth": 130, "flex": 3},
            {
                "field": "recent",
                "headerName": "Last 10 days, dB",
                "type": "rightAligned",
                "valueFormatter": three,
                "minWidth": 130,
            },
            {
                "field": "expected",
                "headerName": "Expected, dB",
                "type": "rightAligned",
                "valueFormatter": three,
                "minWidth": 116,
            },
            {
                "field": "change",
                "headerName": "Difference",
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
    return card(
        html.P("Choose a row to open its chart.", className="muted hint"),
        grid,
        title=f"{len(records)} stream{'s' if len(records) != 1 else ''}",
        aside=html.A(
            "CSV",
            href=csv_link("/loss", "streams", view.query),
            className="csv",
            **{"aria-label": "Download the streams as CSV"},
        ),
    )


def _or_none(value: Any) -> float | None:
    return None if pd.isna(value) else float(value)


def _stream(view: View, known: pd.DataFrame, filters: html.Div) -> html.Div:
    splicer, program = view.query["splicer"], view.query["program"]
    back = dcc.Link(
        "← All streams",
        href=href("/loss", period=view.query.get("period")),
        className="back",
    )
    title = heading(
        f"{splicer} / {program}", "One stream: splices of one splicer with one program."
    )
    match = known[(known["splicer"] == splicer) & (known["program"] == program)]
    if match.empty:
        return html.Div(
            [back, title, filters, notice(f"{splicer} has no splices with program {program}.")]
        )
    row = match.iloc[0].to_dict()
    days = one_stream(view)
    mine = [
        finding
        for finding in open_loss_findings(view.data)
        if finding["subject"]["id"] == f"{splicer} / {program}"
    ]
    mine.sort(key=_weight)
    onset = onset_range(mine[0]) if mine else None
    events = view.data.service(splicer)
    return html.Div(
        [
            back,
            title,
            filters,
            html.Section(
                facts(
                    [
                        (
                            "State",
                            tag(STATE_GLYPH.get(row["state"], "·"), state_words(row), "plain"),
                        ),
                        ("Expected loss", _db(row["baseline_db"])),
                        ("Last 10 days", f"{_db(row['recent_db'])} ({_change_words(row)})"),
                        ("Program class", row["program_class"]),
                        ("Splices", f"{int(row['splices']):,} on {int(row['days'])} days"),
                        (
                            "Baseline since",
                            shown_day(row["segment_start"]) or "not yet",
                        ),
                    ]
                ),
                className="card",
            ),
            *[_finding(finding) for finding in mine],
            chart(
                "Loss of each day",
                stream_days(days, events, onset=onset, scheme=view.scheme),
                csv=csv_link("/loss", "stream-days", view.query),
                hint="Click a day to list its splices. The expected range comes from earlier days "
                "only.",
                clicks="stream-days",
            ),
            chart(
                "Evidence of a lasting change",
                stream_evidence(days, events, onset=onset, scheme=view.scheme),
                csv=csv_link("/loss", "stream-days", view.query),
                hint="Small surprises add up here; beyond a limit the change is hardly chance.",
            ),
            _splice_list(view, splicer, program),
        ]
    )


def _db(value: Any) -> str:
    return "not known yet" if pd.isna(value) else f"{value:.3f} dB"


def _finding(finding: dict[str, Any]) -> Any:
    return dcc.Link(
        [
            html.Div(
                [severity_tag(finding["severity"]), html.Strong(KINDS[finding["kind"]])],
                className="row",
            ),
            html.Div(finding["summary"]),
            html.Div(["Next: ", finding["next_step"]], className="next"),
        ],
        href=href("/findings", finding=finding["id"]),
        className="card finding-link",
    )


def _splice_list(view: View, splicer: str, program: str) -> html.Section:
    day = _day(view)
    total = view.data.splice_page(splicer, program, rows=1, day=day).total
    where = f" on {shown_day(day)}" if day else ""
    kept = {key: value for key, value in view.query.items() if key != "day"}
    grid = dag.AgGrid(
        id=ids.splice_grid(splicer, program, day),
        rowModelType="infinite",
        columnDefs=[
            {"field": "time", "headerName": "Local time", "width": 142},
            {"field": "loss", "headerName": "Loss, dB", "type": "rightAligned", "width": 92},
            {"field": "outcome", "headerName": "Outcome", "width": 92},
            {"field": "technician", "headerName": "Technician", "width": 110},
            {
                "field": "left",
                "headerName": "Cleave left, °",
                "type": "rightAligned",
                "width": 116,
            },
            {
                "field": "right",
                "headerName": "Cleave right, °",
                "type": "rightAligned",
                "width": 126,
            },
            {"field": "site", "headerName": "Site", "width": 86},
            {"field": "location", "headerName": "Location", "width": 110},
            {"field": "fibers", "headerName": "Fibers", "width": 180},
            {"field": "remark", "headerName": "Remark", "flex": 1, "minWidth": 120},
        ],
        defaultColDef={"resizable": True, "sortable": False},
        dashGridOptions=paged_options(),
        style={"height": "420px"},
    )
    return card(
        html.Div(
            [
                html.Span(
                    "Newest first; practice and failed splices are listed too.", className="muted"
                ),
                dcc.Link("Show all days", href=f"/loss{search(kept)}") if day else None,
            ],
            className="row hint",
        ),
        grid if total else notice(f"No splices{where}."),
        name="splice-list",
        title=f"{total:,} splices{where}",
        aside=html.A(
            "CSV",
            href=csv_link("/loss", "splices", view.query),
            className="csv",
            **{"aria-label": "Download these splices as CSV"},
        ),
    )


def grid_rows(
    data: CrewData, splicer: str, program: str, day: str, request: dict[str, Any]
) -> dict[str, Any]:
    """Return the block of splices a grid asks for."""
    start = max(int(request["startRow"]), 0)
    rows = min(max(int(request["endRow"]) - start, 0), 500)
    page = data.splice_page(splicer, program, start=start, rows=rows, day=day)
    frame = page.rows
    loss = frame["loss_db"].map(lambda value: f"{value:.3f}", na_action="ignore")
    text = pd.DataFrame(
        {
            "time": frame["spliced_at"].dt.strftime("%Y-%m-%d %H:%M"),
            "loss": loss,
            "outcome": frame["outcome"],
            "technician": frame["technician"],
            "left": frame["cleave_left_deg"],
            "right": frame["cleave_right_deg"],
            "site": frame["site"],
            "location": frame["location"],
            "fibers": frame["fiber_a"].str.cat(frame["fiber_b"], sep=" to "),
            "remark": frame["remark"],
        }
    ).astype(object)
    return {
        "rowData": text.where(text.notna(), None).to_dict("records"),
        "rowCount": page.total,
    }
