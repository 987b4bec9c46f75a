"""The page of one splicer and program: what changed, its days, its usual level, its splices."""

from collections.abc import Sequence
from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import dcc, html

from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.case import STATES as STATES_OF_CASES
from arcdrift.figures.loss import stream_evidence
from arcdrift.figures.loss_titles import LossChange, change_title
from arcdrift.figures.stream_chart import stream_chart
from arcdrift.finding import SEVERITY_ORDER
from arcdrift.instants import instant_text
from arcdrift.wording import change_text, count_text
from dashboard import ids
from dashboard.components import (
    View,
    card,
    chart,
    csv_button,
    csv_link,
    facts,
    folded,
    heading,
    notice,
    severity_tag,
    shown_day,
    tag,
)
from dashboard.events import events_of
from dashboard.grids import paged_options
from dashboard.pages.findings.finding_words import finding_card, is_open, onset_range
from dashboard.pages.loss.actions_card import actions_card
from dashboard.pages.loss.baseline_card import baseline_card
from dashboard.pages.loss.loss_changes import changes_of
from dashboard.pages.loss.outlier_card import (
    accepted_average,
    accepted_loss,
    exception_rows,
    exceptions_card,
)
from dashboard.reading.data import CrewData
from dashboard.subjects import TITLES, chart_address
from dashboard.url_query import day, href, search, shown

DEFAULT_PERIOD = "90"
FULL_AFTER_DAYS = 40
STATES = {"charted": "usual loss known", "learning": "learning", "too-few": "too few days"}
LISTED = "loss-over-limit"
"""Kind of finding whose splices are on the list to revisit."""
STATE_GLYPH = {"charted": "✓", "learning": "…", "too-few": "·"}


def open_loss_findings(data: CrewData) -> list[dict[str, Any]]:
    """Return the open findings about the loss of any stream."""
    return [
        finding
        for finding in data.findings()
        if finding["kind"].startswith("loss-")
        and finding["subject"]["type"] == "stream"
        and is_open(finding)
    ]


def severity_rank(finding: dict[str, Any]) -> int:
    """Return the rank of a finding's severity, the most severe lowest."""
    return SEVERITY_ORDER[finding["severity"]]


def one_stream(view: View) -> pd.DataFrame:
    """Return the days of the stream named in the URL, in the chosen period."""
    days = view.data.result(
        "result_stream_days",
        splicer=view.query.get("splicer", ""),
        program=view.query.get("program", ""),
    )
    return days[days["day"] >= view.first_day(DEFAULT_PERIOD)]


def exceptions(view: View) -> pd.DataFrame:
    """Return the outlier splices of the stream, in the chosen period."""
    return exception_rows(view, DEFAULT_PERIOD)


def splices(view: View) -> pd.DataFrame:
    """Return every splice of the stream, or of its chosen day."""
    query = view.query
    page = view.data.splice_page(
        query.get("splicer", ""), query.get("program", ""), rows=None, day=day(query, "day")
    )
    return page.rows


def state_words(row: Any) -> str:
    """Describe the state of a stream's chart."""
    if row["state"] == "learning":
        return f"learning: day {int(row['charted_days'])} of {FULL_AFTER_DAYS}"
    return STATES.get(row["state"], str(row["state"]))


def change_of(row: Any) -> float:
    """Return the change of loss as a share of the usual loss: since an onset, else of late."""
    if _is_changed(row):
        return float(row["change"])
    return float(row["recent_db"] / row["baseline_db"] - 1)


def _is_changed(row: Any) -> bool:
    return isinstance(row.get("change_since"), str) and pd.notna(row["change"])


def change_words(row: Any) -> str:
    """Describe the change of loss: since the onset of an open change, else of the last days."""
    if pd.isna(row["recent_db"]) or pd.isna(row["baseline_db"]):
        return "no usual loss yet"
    if _is_changed(row):
        return f"{change_text(change_of(row))} since {shown_day(row['change_since'])}"
    return f"{change_text(change_of(row))} against the usual"


def render_stream(view: View, known: pd.DataFrame, filters: html.Details) -> html.Div:
    """Return the page of the stream named in the URL; `known` are all streams on record."""
    splicer, program = view.query["splicer"], view.query["program"]
    back = dcc.Link("← Loss", href=href("/loss", period=view.query.get("period")), className="back")
    name = f"{shown(splicer)}, {shown(program)}"
    match = known[(known["splicer"] == splicer) & (known["program"] == program)]
    if match.empty:
        sentence = f"{shown(splicer)} has no splices with program {shown(program)}."
        return html.Div(
            [back, heading(name, "One splicer and program."), filters, notice(sentence)]
        )
    row = match.iloc[0].to_dict()
    all_days = view.data.result("result_stream_days", splicer=splicer, program=program)
    changes = changes_of(view, row, all_days, view.first_day(DEFAULT_PERIOD))
    own = _own_findings(view, row)
    recent = None if pd.isna(row["recent_db"]) or pd.isna(row["baseline_db"]) else change_of(row)
    chosen_day = "day" in view.query
    return html.Div(
        [
            back,
            html.Div(
                [
                    heading(change_title(name, changes, recent), level_words(view, row)),
                    filters,
                ],
                className="heading-row loss-head",
            ),
            _case_lines(view, own),
            _day_chart(view, row, changes),
            splices_part(view) if chosen_day else None,
            *[finding_card(finding) for finding in own if finding["kind"] != LISTED],
            actions_card(view, splicer, all_days),
            _other_charts(view, f"{splicer} / {program}"),
            _over_limit([finding for finding in own if finding["kind"] == LISTED]),
            None
            if chosen_day
            else folded("Every splice, newest first", "loss", "splice-list", view.query),
            folded("Single splices far out", "loss", "far-out", view.query),
            folded("Usual level, and days left out", "loss", "usual", view.query),
            folded("How sure: evidence against the limits", "loss", "evidence", view.query),
        ]
    )


def _over_limit(findings: Sequence[dict[str, Any]]) -> html.Details | None:
    """Return findings about single splices, which are on the list to revisit, folded."""
    if not findings:
        return None
    return html.Details(
        [
            html.Summary("Splices over the accepted limit"),
            html.Div([finding_card(finding) for finding in findings], className="folded"),
        ],
        className="card fold",
    )


def usual_part(view: View) -> html.Div:
    """Return what is usual, what people set, and what the splicer and program are."""
    splicer, program = view.query.get("splicer", ""), view.query.get("program", "")
    rows = view.data.result("result_streams", splicer=splicer, program=program)
    return html.Div(
        [
            baseline_card(view, splicer, program),
            _numbers(view, rows.iloc[0].to_dict()) if len(rows) else None,
        ]
    )


def far_out_part(view: View) -> html.Section:
    """Return the single splices far out, which are listed when somebody opens them."""
    return exceptions_card(view, DEFAULT_PERIOD)


def splices_part(view: View) -> html.Section:
    """Return every splice of the splicer and program, or those of the chosen day."""
    return _splice_list(view, view.query.get("splicer", ""), view.query.get("program", ""))


def _open_findings(view: View, splicer: str, program: str) -> list[dict[str, Any]]:
    """Return the open findings about a stream."""
    name = f"{splicer} / {program}"
    return [
        finding for finding in open_loss_findings(view.data) if finding["subject"]["id"] == name
    ]


def _own_findings(view: View, row: dict[Any, Any]) -> list[dict[str, Any]]:
    """Return the open findings about the stream, and the wider one that says how it changed."""
    own, wider = _open_findings(view, row["splicer"], row["program"]), row.get("change_finding")
    own += [
        finding for finding in view.data.findings() if finding["id"] == wider and finding not in own
    ]
    return sorted(own, key=severity_rank)


def _case_lines(view: View, findings: Sequence[dict[str, Any]]) -> html.Ul | None:
    """Return the open cases behind some findings, one line each."""
    ids_of_cases = {finding["case_id"] for finding in findings}
    cases = [case for case in view.data.cases() if case["id"] in ids_of_cases]
    if not cases:
        return None
    return html.Ul(
        [
            html.Li(
                [
                    severity_tag(case["severity"]),
                    dcc.Link(case["title"], href=f"/cases/{case['id']}", className="case-line"),
                    html.Span(STATES_OF_CASES[case["state"]], className="muted"),
                ],
                className="row",
            )
            for case in cases
        ],
        className="answers case-lines",
    )


def level_words(view: View, row: dict[Any, Any]) -> str:
    """Say the usual loss, that since an open change, that of late, and what is accepted."""
    accepted = accepted_average(view.data.crew.acceptance, str(row["program"]))
    if pd.isna(row["baseline_db"]):
        return f"Usual loss not known yet; accepted on average: {accepted:.2f} dB."
    words = f"Usual loss {row['baseline_db']:.3f} dB a splice"
    if _is_changed(row):
        words += (
            f" before {shown_day(row['change_since'])}, {row['since_db']:.3f} dB from then to the "
            "last alarm"
        )
    return (
        f"{words}; last 10 days {row['recent_db']:.3f} dB. Accepted on average: {accepted:.2f} dB."
    )


def _day_chart(view: View, row: dict[Any, Any], changes: list[LossChange]) -> html.Section:
    splicer, program = str(row["splicer"]), str(row["program"])
    usual = None if pd.isna(row["baseline_db"]) else float(row["baseline_db"])
    return chart(
        "Loss of each day, and whose hands",
        stream_chart(
            one_stream(view),
            events_of(view.data, "splicer", splicer),
            hands_of(view, splicer, program),
            usual_db=usual,
            accepted_db=accepted_average(view.data.crew.acceptance, program),
            changes=changes,
            scheme=view.scheme,
        ),
        csv=csv_link("/loss", "days", view.query),
        hint="A dot is a day, single high values capped; click it to list its splices. The line is "
        "what earlier days and the hands at work let expect. Squares below: who worked.",
        clicks="stream-days",
    )


def hands_of(view: View, splicer: str, program: str) -> pd.DataFrame:
    """Return who made how many splices of a stream on each day, as far as may be seen."""
    cells = view.data.result("result_loss_cells", splicer=splicer, program=program)
    people = view.data.people.figures(cells[cells["technician"] != NOBODY])
    return people.groupby(["day", "technician"], as_index=False)[["n"]].sum()


def evidence_part(view: View) -> html.Section:
    """Return the chart of evidence, which is made when somebody opens it."""
    splicer = view.query.get("splicer", "")
    own = _open_findings(view, splicer, view.query.get("program", ""))
    onset = next((span for finding in own if (span := onset_range(finding))), None)
    events = events_of(view.data, "splicer", splicer)
    return chart(
        "Evidence of a lasting change",
        stream_evidence(one_stream(view), events, onset=onset, scheme=view.scheme),
        csv=csv_link("/loss", "days", view.query),
        hint="Small surprises add up here; beyond a limit the change is hardly chance.",
    )


def _numbers(view: View, row: dict[Any, Any]) -> html.Section:
    accepted, accepted_from = accepted_loss(view.data.crew.acceptance, str(row["program"]))
    return card(
        facts(
            [
                ("State", tag(STATE_GLYPH.get(row["state"], "·"), state_words(row), "plain")),
                ("Program class", row["program_class"]),
                ("Splices", f"{int(row['splices']):,} on {int(row['days'])} days"),
                ("Since", shown_day(row["first_day"]) or "not yet"),
                ("Accepted loss", accepted),
            ]
        ),
        html.P(accepted_from, className="muted hint"),
        title="About it",
    )


def _other_charts(view: View, stream: str) -> html.Nav | None:
    days = view.data.result("result_subject_days", subject_type="stream", subject_id=stream)
    available = [measure for measure in TITLES if (days["measure"] == measure).any()]
    if not available:
        return None
    alarms = days[days["day"] >= view.first_day(DEFAULT_PERIOD)].groupby("measure")["alarm"].sum()
    links = []
    for measure in available:
        count = int(alarms.get(measure, 0))
        suffix = f" ({count_text(count, 'alarm')})" if count else ""
        address = chart_address(
            {"measure": measure, "subject_type": "stream", "subject_id": stream}
        )
        links.append(dcc.Link(f"{TITLES[measure]}{suffix}", href=address, className="button"))
    return html.Nav(
        [html.Span("Also as charts:", className="muted"), *links],
        className="row other-charts",
    )


def _splice_list(view: View, splicer: str, program: str) -> html.Section:
    chosen = day(view.query, "day")
    total = view.data.count_splices(splicer, program, chosen)
    address = f" on {shown_day(chosen)}" if chosen else ""
    all_days = {key: value for key, value in view.query.items() if key != "day"}
    grid = dag.AgGrid(
        id=ids.splice_grid(splicer, program, chosen),
        rowModelType="infinite",
        columnDefs=[
            {"field": "time", "headerName": "Local time", "width": 162},
            {"field": "loss", "headerName": "Loss, dB", "type": "rightAligned", "width": 92},
            {"field": "outcome", "headerName": "Outcome", "width": 92},
            *(
                [{"field": "technician", "headerName": "Technician", "width": 110}]
                if view.data.people.any_pages
                else []
            ),
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
            {"field": "remark", "headerName": "Reason, remark", "width": 220},
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
                dcc.Link("Show all days", href=f"/loss{search(all_days)}") if chosen else None,
            ],
            className="row hint",
        ),
        notice(
            f"The address names no day: {shown(view.query['day'])}. All days are listed.",
            name="caveat",
        )
        if "day" in view.query and not chosen
        else None,
        grid if total else notice(f"No splices{address}."),
        name="splice-list",
        title=f"{total:,} splices{address}",
        aside=csv_button("/loss", "splices", view.query, "these splices"),
    )


def grid_rows(
    data: CrewData, splicer: str, program: str, day: str, request: dict[str, Any]
) -> dict[str, Any]:
    """Return the block of splices that a grid requests."""
    start = max(int(request["startRow"]), 0)
    rows = min(max(int(request["endRow"]) - start, 0), 500)
    page = data.splice_page(splicer, program, start=start, rows=rows, day=day)
    frame = page.rows
    loss = frame["loss_db"].map("{:.3f}".format, na_action="ignore")
    # of a censored loss the store has half the limit, which nobody measured
    below = pd.to_numeric(frame["loss_below_db"])
    loss = loss.astype(object).mask(below.notna(), below.map("<{:g}".format).astype(object))
    why = frame[["error_reason", "remark"]].astype("str").fillna("")
    text = pd.DataFrame(
        {
            "time": frame["spliced_at"].map(instant_text),
            "loss": loss,
            "outcome": frame["outcome"],
            "technician": frame["technician"],
            "left": frame["cleave_left_deg"],
            "right": frame["cleave_right_deg"],
            "site": frame["site"],
            "location": frame["location"],
            "fibers": frame["fiber_a"].str.cat(frame["fiber_b"], sep=" to "),
            "remark": why["error_reason"].str.cat(why["remark"], sep="; ").str.strip("; "),
        }
    ).astype(object)
    return {
        "rowData": text.where(text.notna(), None).to_dict("records"),
        "rowCount": page.total,
    }
