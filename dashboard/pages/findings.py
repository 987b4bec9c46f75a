"""The Findings page: the work list, and the details of one finding."""

from datetime import datetime, timedelta
from itertools import takewhile
from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import dcc, html

from arcdrift.analysis.advice.advice import CAUTIONS
from arcdrift.analysis.common.episodes import RECENT
from arcdrift.finding import KINDS, SEVERITY_ORDER
from arcdrift.wording import probability_text
from dashboard import ids
from dashboard.components import (
    View,
    card,
    csv_button,
    facts,
    heading,
    notice,
    select,
    severity_tag,
    shown_day,
)
from dashboard.grids import work_list_options
from dashboard.subjects import CHARTED, MEASURE_OF_KIND, chart_address, subject_title
from dashboard.url_query import href, search

COLUMNS = ["severity", "finding", "subject", "since", "summary", "next_step"]
PHONE_ROWS = 25
UNITS_BY_SUFFIX = {
    "db": "dB",
    "pct": "%",
    "deg": "°",
    "um": "µm",
    "hpa": "hPa",
    "c": "°C",
    "min": "min",
}
LABELS: dict[str, tuple[str, str]] = {
    "alarm_ewma": ("Evidence at the alarm", ""),
    "alarm_limit": ("Limit", ""),
    "arcs_on_electrodes": ("Arcs on these electrodes", ""),
    "average_limit_db": ("Accepted on average", "dB"),
    "days": ("Workdays concerned", ""),
    "electrode_life_arcs": ("Arcs the electrodes are set to last", ""),
    "first_over": ("First one", ""),
    "highest_db": ("Highest loss", "dB"),
    "hours_since_check": ("Hours since the check", ""),
    "humidity_pct_at_check": ("Humidity at the check", "%"),
    "humidity_pct_now": ("Humidity now", "%"),
    "last_over": ("Last one", ""),
    "latest_locations": ("Where the latest lie", ""),
    "loss_before_db": ("Loss before, high values capped", "dB"),
    "loss_since_db": ("Loss since, high values capped", "dB"),
    "mean_db": ("Mean loss", "dB"),
    "mean_high_db": ("Mean loss, upper end of the 95 % interval", "dB"),
    "mean_low_db": ("Mean loss, lower end of the 95 % interval", "dB"),
    "not_told_if_made_again": ("Of these, perhaps made again: the log cannot tell", ""),
    "pressure_hpa_at_check": ("Pressure at the check", "hPa"),
    "pressure_hpa_now": ("Pressure now", "hPa"),
    "probability_off": ("Chance of being off by more than the tolerance", ""),
    "ratio": ("Loss since, as a multiple of before", ""),
    "single_limit_db": ("Accepted of one splice", "dB"),
    "temperature_c_at_check": ("Temperature at the check", "°C"),
    "temperature_c_now": ("Temperature now", "°C"),
    "sd_from_forecast": ("Distance from the forecast, in standard deviations", ""),
    "setting_found": ("Setting the check found", ""),
    "setting_forecast": ("Setting forecast", ""),
    "setting_next": ("Setting the next check found", ""),
    "workdays_in_span": ("Workdays around then", ""),
}
"""Label and unit of evidence entries whose key does not make a clear label."""
IN_SETTING_UNIT = ("unexplained_change", "setting_found", "setting_forecast", "setting_next")
TITLES_WHEN_QUIET = {
    "arc-drift": "Arc setting had drifted, now quiet",
    "loss-raised": "Loss had risen, now quiet",
    "loss-lowered": "Loss had fallen, now quiet",
}
"""Titles of findings about a change, once the change no longer shows."""
IN_ORDER = "Look at the likely causes in order; "
"""Beginning of a next step that is dropped where no causes are listed."""
NO_CAUSE = "cannot tell"


def finding_title(finding: dict[str, Any]) -> str:
    """Return the title of a finding; in the past tense for a note whose last alarm is long past."""
    kind = str(finding["kind"])
    if finding["severity"] == "note":
        last, now = (datetime.fromisoformat(finding[key]) for key in ("until", "assessed_on"))
        if now - last > RECENT:
            return TITLES_WHEN_QUIET.get(kind, KINDS[kind])
    return KINDS[kind]


def _listed_causes(finding: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the causes ranked above "cannot tell"; the others appear in the details only."""
    return list(takewhile(lambda cause: cause["cause"] != NO_CAUSE, finding["likely_causes"]))


def next_step(finding: dict[str, Any]) -> str:
    """Return a finding's next step, without its reference to causes where none are listed."""
    step = str(finding["next_step"])
    if _listed_causes(finding) or not step.startswith(IN_ORDER):
        return step
    rest = step.removeprefix(IN_ORDER)
    return rest[:1].upper() + rest[1:]


def causes_and_next_step(finding: dict[str, Any]) -> list[html.Div]:
    """Return a line with a finding's likely causes and one with its next step."""
    lines = [html.Div(["Next: ", next_step(finding)], className="next")]
    causes = _listed_causes(finding)
    if causes:
        causes_text = "; ".join(f"{cause['cause']} ({cause['why']})" for cause in causes)
        lines.insert(0, html.Div(f"Likely cause{'s' if len(causes) > 1 else ''}: {causes_text}."))
    return lines


def subject_text(finding: dict[str, Any]) -> str:
    """Return the subject of a finding as text."""
    subject = finding["subject"]
    rolled = finding["kind"] in MEASURE_OF_KIND
    name = str(subject["id"])
    return subject_title(subject["type"], name) if rolled else name


def finding_card(finding: dict[str, Any]) -> dcc.Link:
    """Return a finding as a card that leads to it."""
    return dcc.Link(
        [
            html.Div(
                [severity_tag(finding["severity"]), html.Strong(finding_title(finding))],
                className="row",
            ),
            html.Div(finding["summary"]),
            *causes_and_next_step(finding),
        ],
        href=href("/findings", finding=finding["id"]),
        className="card finding-link",
    )


def is_open(finding: dict[str, Any]) -> bool:
    """Return whether a finding is open."""
    return str(finding["status"]) == "open"


def concerns_splicer(finding: dict[str, Any], splicer: str) -> bool:
    """Return whether a finding is about a splicer or one of its streams."""
    subject = finding["subject"]
    name = str(subject["id"])
    return name == splicer or (subject["type"] == "stream" and name.startswith(f"{splicer} / "))


def splicer_of(finding: dict[str, Any]) -> str | None:
    """Return the splicer a finding is about; None for sites, people and the crew."""
    subject = finding["subject"]
    if subject["type"] not in ("splicer", "stream"):
        return None
    return str(subject["id"]).partition(" / ")[0]


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
            "status": finding["status"],
            "id": finding["id"],
        }
        for finding in filtered_findings(view)
    ]
    return pd.DataFrame(findings, columns=[*COLUMNS[:4], "until", *COLUMNS[4:], "status", "id"])


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
            heading("Findings", "What the logs say needs a person, most severe first."),
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
                    _detail(view, chosen) if chosen else None,
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
    if beside_detail:
        return [
            severity,
            {"field": "finding", "headerName": "Finding", "flex": 1, "minWidth": 140} | wrapped,
            {"field": "subject", "headerName": "About", "flex": 1, "minWidth": 120} | wrapped,
            since,
        ]
    return [
        severity,
        {"field": "finding", "headerName": "Finding", "width": 190} | wrapped,
        {"field": "subject", "headerName": "About", "width": 160} | wrapped,
        since,
        {"field": "summary", "headerName": "What was seen", "flex": 1, "minWidth": 260} | wrapped,
        {"field": "next", "headerName": "Next step", "flex": 1, "minWidth": 220} | wrapped,
    ]


def finding_links(finding: dict[str, Any]) -> list[Any]:
    """Return links to the pages and charts that a finding is about."""
    kind, name = finding["subject"]["type"], finding["subject"]["id"]
    measure = MEASURE_OF_KIND.get(finding["kind"])
    chart = []
    if measure is not None and kind in CHARTED and (kind, measure) != ("stream", "level"):
        where = chart_address({"measure": measure, "subject_type": kind, "subject_id": name})
        chart = [dcc.Link("Open its chart", href=where, className="button")]
    if kind == "technician":
        page = dcc.Link(f"Open {name}", href=href("/person", technician=name), className="button")
        return [*chart, page]
    splicer = splicer_of(finding)
    if splicer is None:
        return chart
    links = [
        *chart,
        dcc.Link(f"Open {splicer}", href=href("/splicer", splicer=splicer), className="button"),
    ]
    if finding["subject"]["type"] == "stream":
        program = finding["subject"]["id"].partition(" / ")[2]
        links.append(
            dcc.Link(
                "Open its loss chart",
                href=href("/loss", splicer=splicer, program=program),
                className="button",
            )
        )
    if finding["kind"].startswith("check-"):
        links.append(
            dcc.Link("Open its checks", href=href("/checks", splicer=splicer), className="button")
        )
    return links


def _detail(view: View, finding: dict[str, Any]) -> html.Section:
    list_query = {key: value for key, value in view.query.items() if key != "finding"}
    causes = finding["likely_causes"]
    return html.Section(
        [
            html.Div(
                [
                    severity_tag(finding["severity"]),
                    html.Span(f"status: {finding['status']}", className="muted"),
                    dcc.Link(
                        "Close",
                        href=f"/findings{search(list_query)}",
                        className="button close-detail",
                    ),
                ],
                className="row",
            ),
            html.H2(f"{finding_title(finding)}: {subject_text(finding)}"),
            html.P(finding["summary"], className="lead"),
            html.Div([html.Strong("Next step. "), next_step(finding)], className="next-box"),
            html.Div(finding_links(finding), className="row buttons"),
            html.H3("When"),
            facts(
                [
                    ("First alarm", shown_day(finding["since"])),
                    ("Latest evidence", shown_day(finding["until"])),
                    ("Change likely began", onset_words(finding["onset"])),
                ]
            ),
            html.H3("Likely causes"),
            _causes(causes) if causes else notice("Nothing on record points to a cause."),
            html.H3("Evidence"),
            facts(evidence_facts(finding["evidence"])),
            html.H3("Before you touch anything"),
            html.Ul([html.Li(caution) for caution in CAUTIONS], className="cautions"),
        ],
        className="card detail",
        **{"aria-label": "Chosen finding"},
    )


def _causes(causes: list[dict[str, Any]]) -> html.Ol:
    compared = len(causes) > 1  # a weight says nothing of a cause that stands alone
    return html.Ol(
        [
            html.Li(
                [
                    html.Div(
                        [
                            html.Strong(cause["cause"]),
                            html.Span(probability_text(cause["weight"])) if compared else None,
                        ],
                        className="row spread",
                    ),
                    html.Div(
                        html.Div(style={"width": f"{100 * cause['weight']:.0f}%"}),
                        className="bar",
                        **{"aria-hidden": "true"},
                    )
                    if compared
                    else None,
                    html.Div(cause["why"], className="muted"),
                ]
            )
            for cause in causes
        ],
        className="causes",
    )


def onset_words(onset: dict[str, Any] | None) -> str:
    """Describe when the change likely began, with its range."""
    if onset is None:
        return "not estimated"
    sentence = shown_day(onset["estimate"])
    if onset["earliest"] and onset["latest"] and onset["earliest"] != onset["latest"]:
        sentence += f" (between {shown_day(onset['earliest'])} and {shown_day(onset['latest'])})"
    return sentence


def onset_range(finding: dict[str, Any]) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    """Return the first and last day on which the change may have begun; None if unknown."""
    onset = finding["onset"]
    if onset is None:
        return None
    first, last = (onset[key] or onset["estimate"] for key in ("earliest", "latest"))
    low, high = (pd.Timestamp(text).tz_localize(None).normalize() for text in (first, last))
    return (low, high) if high - low < timedelta(days=400) else None


def evidence_facts(evidence: dict[str, Any]) -> list[tuple[str, str]]:
    """Return labels and values of a finding's evidence."""
    unit = evidence.get("setting_unit")
    return [
        (name, f"{value} {unit}" if key in IN_SETTING_UNIT and unit else value)
        for key, entry in evidence.items()
        if key != "setting_unit"
        for name, value in [evidence_words(key, entry)]
    ]


def evidence_words(key: str, value: Any) -> tuple[str, str]:
    """Return a label and a value with its unit from an evidence entry such as ``loss_db``."""
    stem, _, last = key.rpartition("_")
    unit = UNITS_BY_SUFFIX.get(last, "") if stem else ""
    plain = (stem if unit else key).replace("_", " ")
    name, unit = LABELS.get(key, (plain[:1].upper() + plain[1:], unit))
    if key == "probability_off":
        text = probability_text(value)
    elif isinstance(value, bool):
        text = "yes" if value else "no"
    elif isinstance(value, float):
        text = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:z.4g}"
    elif isinstance(value, list):
        text = ", ".join(str(item) for item in value)
    else:
        text = "not known" if value is None else str(value)
    return name, f"{text} {unit}".strip()
