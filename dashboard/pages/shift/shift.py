"""The Shift page: the crew's state, urgent cases, and a card for each splicer.

No word about people: what concerns one person is on the pages Cases and Coaching.
"""

from collections import Counter
from collections.abc import Sequence
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
from dashboard.pages.cases.case_words import Case
from dashboard.pages.cases.cases import case_list, pressing_first, told_cases
from dashboard.pages.cases.news import news_line
from dashboard.pages.findings.finding_words import (
    causes_and_next_step,
    concerns_splicer,
    finding_title,
    splicer_of,
    subject_text,
)
from dashboard.reading.data import CrewData
from dashboard.url_query import href

CHECK_URGENCY = {"failed-only": 0, "due": 1, "missed": 1, "late": 2, "checked": 3, "no-work": 4}
UNCHECKED = ("failed-only", "due", "missed")
"""Statuses of a day with splices but without a passed check."""
MOST_URGENT = 5


class SplicerStatus(NamedTuple):
    """Check and open cases of one splicer today.

    Attributes
    ----------
    loose : sequence of dict
        Open findings that belong to no case.
    """

    splicer: str
    check: pd.Series | None
    cases: Sequence[Case]
    loose: Sequence[dict[str, Any]] = ()

    @property
    def status(self) -> str:
        """Return the status of today's check."""
        return "no-work" if self.check is None else str(self.check["status"])

    def urgency(self) -> tuple[int, int, int, int, str]:
        """Return the sort key: splicing on an unchecked arc first, no work today last."""
        acts = sum(one["severity"] == "act" for one in (*self.cases, *self.loose))
        idle, checked = int(self.status == "no-work"), int(self.status not in UNCHECKED)
        return (idle, checked, -acts, CHECK_URGENCY[self.status], self.splicer)


def splicer_statuses(view: View) -> list[SplicerStatus]:
    """Return every splicer's status, the most urgent first."""
    days = view.data.result("result_check_days")
    running = days[~days["day_over"].astype(bool)].drop_duplicates("splicer", keep="last")
    today = {row["splicer"]: row for _, row in running.iterrows()}
    cases, loose = open_cases(view), loose_findings(view)
    statuses = [
        SplicerStatus(
            splicer,
            today.get(splicer),
            [case for case in cases if case["subject"] == {"type": "splicer", "id": splicer}],
            [finding for finding in loose if concerns_splicer(finding, splicer)],
        )
        for splicer in view.data.splicers()
    ]
    return sorted(statuses, key=SplicerStatus.urgency)


def open_cases(view: View) -> list[Case]:
    """Return the open cases that are not about a person, the most pressing first."""
    return pressing_first(
        [
            case
            for case in told_cases(view)
            if case["state"] != "closed" and case["subject"]["type"] != "technician"
        ]
    )


def loose_findings(view: View) -> list[dict[str, Any]]:
    """Return the findings of no case that are not about a person, the latest first.

    Those of single splices are left out: the splices are a list to revisit.
    """
    found = [
        finding
        for finding in view.data.findings()
        if finding["case_id"] is None
        and finding["kind"] != "loss-over-limit"
        and finding["subject"]["type"] != "technician"
    ]
    return sorted(found, key=lambda finding: str(finding["until"]), reverse=True)


def render(view: View) -> html.Div:
    """Return the page."""
    rows = splicer_statuses(view)
    zone = view.data.zone()
    cases, loose = open_cases(view), loose_findings(view)
    urgent = [case for case in cases if case["severity"] == "act"]
    urgent_loose = [finding for finding in loose if finding["severity"] == "act"]
    told_above = urgent[:MOST_URGENT]
    return html.Div(
        [
            heading(
                "Shift",
                f"{view.run.now.astimezone(zone):%A %d %B %Y, %H:%M}",
            ),
            news_line(view, told_cases(view), "today"),
            _crew_line(view, rows, [*cases, *loose]),
            _act_first(view, urgent, urgent_loose),
            _sites_and_crew(
                view,
                [case for case in cases if case not in told_above],
                [finding for finding in loose if finding not in urgent_loose],
            ),
            html.H2("Splicers", className="section-title"),
            html.Div([_splicer_card(view, row) for row in rows], className="splicer-cards")
            if rows
            else notice("No splicer is known yet."),
        ]
    )


def _crew_line(view: View, rows: list[SplicerStatus], still_open: Sequence[Case]) -> html.Section:
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
    severities = Counter(one["severity"] for one in still_open)
    to_revisit = sum(row["state"] == "open" for row in view.data.splices_to_revisit())
    return html.Section(
        facts(
            [
                ("Splicers at work", f"{working} of {len(rows)}"),
                ("Arc checks today", ", ".join(counts_text) or "none expected"),
                (
                    "Open cases",
                    dcc.Link(
                        f"{severities['act']} to act on, {severities['watch']} to watch",
                        href="/cases",
                    ),
                ),
                (
                    "Splices to revisit",
                    dcc.Link(f"{to_revisit:,}", href="/cases/revisit") if to_revisit else "none",
                ),
                ("Splices, latest day", loss),
            ]
        ),
        className="card crew-line",
    )


def _act_first(view: View, urgent: list[Case], loose: list[dict[str, Any]]) -> html.Section:
    if not urgent and not loose:
        return card(notice("No open case asks for action now.", name="good"), title="Act first")
    more = len(urgent) - MOST_URGENT
    return card(
        case_list(view, urgent[:MOST_URGENT]) if urgent else None,
        dcc.Link(f"{more} more to act on", href="/cases", className="more") if more > 0 else None,
        _listed(loose[:MOST_URGENT]) if loose else None,
        title="Act first",
    )


def _sites_and_crew(
    view: View, cases: list[Case], loose: list[dict[str, Any]]
) -> html.Section | None:
    """Return the card of what is to watch and about no single splicer; None without any."""
    cases = [
        case
        for case in cases
        if case["subject"]["type"] != "splicer" and case["severity"] != "note"
    ]
    loose = [
        finding
        for finding in loose
        if splicer_of(finding) is None and finding["severity"] != "note"
    ]
    if not cases and not loose:
        return None
    more = len(cases) + len(loose) - 2 * MOST_URGENT
    return card(
        case_list(view, cases[:MOST_URGENT]) if cases else None,
        _listed(loose[:MOST_URGENT]) if loose else None,
        dcc.Link(f"{more} more", href="/cases", className="more") if more > 0 else None,
        title="Sites, cleavers and crew",
    )


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
                html.Div([html.Dt("Cases"), html.Dd(_cases(row))]),
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


def _cases(row: SplicerStatus) -> list[Any]:
    counts = Counter(one["severity"] for one in (*row.cases, *row.loose))
    if not counts:
        return [html.Span("none open", className="muted")]
    where = (
        href("/cases", subject=f"splicer:{row.splicer}")
        if row.cases
        else href("/findings", splicer=row.splicer)
    )
    return [
        dcc.Link(tag(SEVERITY[severity][0], f"{counts[severity]} {severity}", severity), href=where)
        for severity in sorted(counts, key=SEVERITY_ORDER.__getitem__)
    ]
