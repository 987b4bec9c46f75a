"""The details of one finding: when, likely causes, evidence, cautions, links."""

from typing import Any

from dash import dcc, html

from arcdrift.analysis.advice.advice import CAUTIONS
from arcdrift.wording import probability_text
from dashboard.components import View, facts, notice, severity_tag, shown_day
from dashboard.pages.findings.evidence import evidence_facts
from dashboard.pages.findings.finding_words import (
    case_link,
    finding_title,
    next_step,
    onset_words,
    splicer_of,
    subject_text,
)
from dashboard.subjects import CHARTED, MEASURE_OF_KIND, chart_address
from dashboard.url_query import href, search


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


def finding_detail(view: View, finding: dict[str, Any]) -> html.Section:
    """Return the panel with everything that is known of a finding."""
    list_query = {key: value for key, value in view.query.items() if key != "finding"}
    causes = finding["likely_causes"]
    return html.Section(
        [
            html.Div(
                [
                    severity_tag(finding["severity"]),
                    case_link(finding),
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
