"""The Today page: the crew's state, urgent findings, and a card for each splicer."""

from collections import Counter
from typing import Any, NamedTuple

import pandas as pd
from dash import dcc, html

from arcdrift.errors import ArcdriftError
from arcdrift.finding import SEVERITY_ORDER
from dashboard import ids
from dashboard.components import (
    SEVERITY,
    View,
    card,
    facts,
    heading,
    notice,
    severity_tag,
    shown_day,
    status_tag,
    tag,
    verdict_tag,
)
from dashboard.pages.findings.finding_words import (
    causes_and_next_step,
    concerns_splicer,
    finding_title,
    is_open,
    splicer_of,
    subject_text,
)
from dashboard.reading.data import CrewData
from dashboard.url_query import href

CHECK_URGENCY = {"failed-only": 0, "due": 1, "missed": 1, "late": 2, "checked": 3, "no-work": 4}
UNCHECKED = ("failed-only", "due", "missed")
"""Statuses of a day with splices but without a passed check."""
MOST_URGENT = 5
PEOPLE_HINT = "For coaching: look at the work together before anything is said of a person."


class SplicerStatus(NamedTuple):
    """Check and open findings of one splicer today."""

    splicer: str
    check: pd.Series | None
    findings: list[dict[str, Any]]

    @property
    def status(self) -> str:
        """Return the status of today's check."""
        return "no-work" if self.check is None else str(self.check["status"])

    def urgency(self) -> tuple[int, int, int, int, str]:
        """Return the sort key: splicing on an unchecked arc first, no work today last."""
        acts = sum(finding["severity"] == "act" for finding in self.findings)
        idle, checked = int(self.status == "no-work"), int(self.status not in UNCHECKED)
        return (idle, checked, -acts, CHECK_URGENCY[self.status], self.splicer)


def splicer_statuses(view: View) -> list[SplicerStatus]:
    """Return every splicer's status, the most urgent first."""
    days = view.data.result("result_check_days")
    running = days[~days["day_over"].astype(bool)].drop_duplicates("splicer", keep="last")
    today = {row["splicer"]: row for _, row in running.iterrows()}
    open_now = [finding for finding in view.data.findings() if is_open(finding)]
    statuses = []
    for splicer in view.data.splicers():
        own_findings = [finding for finding in open_now if concerns_splicer(finding, splicer)]
        statuses.append(SplicerStatus(splicer, today.get(splicer), own_findings))
    return sorted(statuses, key=SplicerStatus.urgency)


def render(view: View) -> html.Div:
    """Return the page."""
    rows = splicer_statuses(view)
    zone = view.data.zone()
    urgent = sorted(
        (f for f in view.data.findings() if is_open(f) and f["severity"] == "act"),
        key=lambda f: f["until"],
        reverse=True,
    )
    return html.Div(
        [
            heading(
                "Today",
                f"{view.run.now.astimezone(zone):%A %d %B %Y, %H:%M}",
            ),
            _crew_line(view, rows),
            _act_first(urgent),
            *_cards_of_other_subjects(view, {finding["id"] for finding in urgent[:MOST_URGENT]}),
            html.H2("Splicers", className="section-title"),
            html.Div([_splicer_card(view, row) for row in rows], className="splicer-cards")
            if rows
            else notice("No splicer is known yet."),
        ]
    )


def _crew_line(view: View, rows: list[SplicerStatus]) -> html.Section:
    counts = Counter(row.status for row in rows)
    working = sum(n for status, n in counts.items() if status != "no-work")
    counts_text = [
        f"{counts[status]} {text}"
        for status, text in (
            ("checked", "in time"),
            ("late", "late"),
            ("failed-only", "failed only"),
            ("due", "due"),
        )
        if counts[status]
    ]
    days = view.data.result("result_crew_days").sort_values("day")
    days = days[days["mean_db"].notna()]
    loss = "no splices yet"
    if not days.empty:
        last = days.iloc[-1]
        loss = (
            f"{int(last['splices'])} splices on {shown_day(last['day'])}, "
            f"mean {last['mean_db']:.3f} dB"
        )
    open_findings = Counter(f["severity"] for f in view.data.findings() if is_open(f))
    return html.Section(
        facts(
            [
                ("Splicers at work", f"{working} of {len(rows)}"),
                ("Arc checks today", ", ".join(counts_text) or "none expected"),
                (
                    "Open findings",
                    f"{open_findings['act']} to act on, {open_findings['watch']} to watch",
                ),
                ("Splices, latest day", loss),
            ]
        ),
        className="card crew-line",
    )


def _act_first(urgent: list[dict[str, Any]]) -> html.Section:
    if not urgent:
        return card(notice("No open finding asks for action now.", name="good"), title="Act first")
    more = len(urgent) - MOST_URGENT
    return card(
        _listed(urgent[:MOST_URGENT]),
        dcc.Link(f"{more} more to act on", href=href("/findings", severity="act"), className="more")
        if more > 0
        else None,
        title="Act first",
    )


def _cards_of_other_subjects(view: View, shown_above: set[str]) -> list[html.Section]:
    """Return cards of findings about sites, the crew and people that are not `shown_above`."""
    open_findings = [
        finding
        for finding in view.data.findings()
        if is_open(finding)
        and splicer_of(finding) is None
        and finding["severity"] != "note"
        and finding["id"] not in shown_above
    ]
    open_findings.sort(key=lambda finding: SEVERITY_ORDER[finding["severity"]])
    people = [finding for finding in open_findings if finding["subject"]["type"] == "technician"]
    others = [finding for finding in open_findings if finding["subject"]["type"] != "technician"]
    return [
        card(
            html.P(PEOPLE_HINT, className="muted hint") if rows is people else None,
            _listed(rows[:MOST_URGENT]),
            dcc.Link(f"{len(rows) - MOST_URGENT} more among all findings", href="/findings",
                     className="more")
            if len(rows) > MOST_URGENT
            else None,
            title=title,
        )
        for title, rows in (("Sites and crew", others), ("People", people))
        if rows
    ]  # fmt: skip


def _listed(rows: list[dict[str, Any]]) -> html.Ul:
    return html.Ul(
        [
            html.Li(
                dcc.Link(
                    [
                        html.Div(
                            [
                                severity_tag(finding["severity"]),
                                html.Strong(subject_text(finding)),
                                html.Span(finding_title(finding), className="muted"),
                            ],
                            className="row",
                        ),
                        html.Div(finding["summary"]),
                        *causes_and_next_step(finding),
                    ],
                    href=href("/findings", finding=finding["id"]),
                    className="finding-link",
                )
            )
            for finding in rows
        ],
        className="finding-list",
    )


def _splicer_card(view: View, row: SplicerStatus) -> html.Article:
    known = view.data.crew.splicers.get(row.splicer)
    lines: list[Any] = [
        html.Div(
            [
                dcc.Link(row.splicer, href=href("/splicer", splicer=row.splicer), className="name"),
                html.Span(known.model if known else "", className="muted"),
            ],
            className="row spread",
        ),
        html.Dl(
            [
                html.Div(
                    [html.Dt("Arc check"), html.Dd([status_tag(row.status), _when(view, row)])]
                ),
                html.Div(
                    [
                        html.Dt("Arc now"),
                        html.Dd(
                            html.Span("working it out", className="muted advice-pending"),
                            id=ids.advice_slot(row.splicer),
                        ),
                    ]
                ),
                html.Div([html.Dt("Findings"), html.Dd(_findings(row))]),
            ],
            className="pairs",
        ),
    ]
    return html.Article(lines, className="card splicer-card", **{"aria-label": row.splicer})


def _when(view: View, row: SplicerStatus) -> html.Span | None:
    if row.check is None:
        return None
    check = row.check
    text = ""
    if pd.notna(check["checked_at"]):
        at = pd.Timestamp(check["checked_at"]).tz_convert(view.data.zone_of_splicer(row.splicer))
        text = f"at {at:%H:%M}"
    # splices without any check are not told here: the verdict below counts them by now
    if check["status"] == "late":
        text += f", after {int(check['splices_before_check'])} splices"
    elif check["status"] == "no-work":
        text = "so far"
    return html.Span(text, className="muted")


def advice_words(data: CrewData, splicer: str) -> list[Any]:
    """Return a splicer's verdict and its main reason.

    Each card loads its own after the page is shown, since a large crew's advice takes seconds
    while nothing is cached.
    """
    try:
        advice = data.advice(splicer, None, None, None)
    except ArcdriftError as problem:
        return [verdict_tag("cannot-tell"), html.Span(str(problem), className="why")]
    reason = advice.reasons[0] if advice.reasons else advice.basis_note
    return [verdict_tag(advice.verdict), html.Span(reason, className="why")]


def _findings(row: SplicerStatus) -> list[Any]:
    counts = Counter(finding["severity"] for finding in row.findings)
    if not counts:
        return [html.Span("none open", className="muted")]
    return [
        dcc.Link(
            tag(SEVERITY[severity][0], f"{counts[severity]} {severity}", severity),
            href=href("/findings", splicer=row.splicer, severity=severity),
        )
        for severity in sorted(counts, key=SEVERITY_ORDER.__getitem__)
    ]
