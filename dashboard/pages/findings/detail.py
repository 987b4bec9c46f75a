"""One finding in full: when, likely causes, evidence, links; and the page of one of no case."""

from typing import Any

from dash import dcc, html

from arcdrift.analysis.advice.advice import CAUTIONS
from arcdrift.wording import probability_text, screen_text
from dashboard.components import facts, heading, severity_tag, shown_day
from dashboard.pages.findings.evidence import evidence_facts
from dashboard.pages.findings.finding_words import (
    case_link,
    finding_title,
    next_step,
    onset_words,
    splicer_of,
    subject_text,
)
from dashboard.subjects import (
    CHARTED,
    MEASURE_OF_KIND,
    OF_ATTEMPTS,
    SHARES_OF_ATTEMPTS,
    chart_address,
)
from dashboard.url_query import href


def finding_links(finding: dict[str, Any]) -> list[Any]:
    """Return links to the pages and charts that a finding is about."""
    kind, name = finding["subject"]["type"], finding["subject"]["id"]
    measure = MEASURE_OF_KIND.get(finding["kind"])
    chart = []
    charted = kind in CHARTED or (kind in OF_ATTEMPTS and measure in SHARES_OF_ATTEMPTS)
    if measure is not None and charted and (kind, measure) != ("stream", "level"):
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


def finding_evidence(finding: dict[str, Any]) -> list[Any]:
    """Return when a finding began, its likely causes and its evidence in numbers."""
    causes = finding["likely_causes"]
    onset = [("Change likely began", onset_words(finding["onset"]))] if finding["onset"] else []
    return [
        facts(
            [
                ("First alarm", shown_day(finding["since"])),
                ("Latest evidence", shown_day(finding["until"])),
                *onset,
            ]
        ),
        *([html.H3("Likely causes"), _causes(causes)] if causes else []),
        html.H3("Evidence"),
        facts(evidence_facts(finding["evidence"])),
    ]


def finding_page(finding: dict[str, Any]) -> html.Div:
    """Return the page of a finding that belongs to no case."""
    over_limit = finding["kind"] == "loss-over-limit"
    return html.Div(
        [
            dcc.Link("All cases", href="/cases", className="back"),
            heading(
                f"{subject_text(finding)}: {lower_first(finding_title(finding))}",
                "Seen, and nobody's work: it belongs to no case.",
            ),
            html.Section(
                [
                    html.Div(
                        [severity_tag(finding["severity"]), case_link(finding)], className="row"
                    ),
                    html.P(finding["summary"], className="lead"),
                    html.Div([html.Strong("Next. "), next_step(finding)], className="next-box")
                    if finding["next_step"]
                    else None,
                    html.Div(finding_links(finding), className="row buttons"),
                    *finding_evidence(finding),
                ],
                className="card",
            ),
            None if over_limit else html.P(CAUTIONS[0], className="muted hint"),
        ]
    )


def lower_first(text: str) -> str:
    """Return a title as the middle of a sentence."""
    return text[:1].lower() + text[1:]


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
                    html.Div(screen_text(str(cause["why"])), className="muted"),
                ]
            )
            for cause in causes
        ],
        className="causes",
    )
