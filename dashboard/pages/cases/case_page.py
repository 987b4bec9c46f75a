"""The page of one case: where it stands, what to do, the buttons, its evidence and history."""

from typing import Any

from dash import dcc, html

from arcdrift.analysis.advice.advice import CAUTIONS
from arcdrift.analysis.attempts.hints.hint_words import hints_of
from arcdrift.analysis.cases.cases_from_store import find_case
from arcdrift.analysis.cases.outcome import VERDICTS
from arcdrift.case import rate_text
from arcdrift.errors import UsageError
from arcdrift.finding import SEVERITY_ORDER
from dashboard import ids
from dashboard.components import (
    View,
    card,
    facts,
    heading,
    notice,
    severity_tag,
    with_code,
)
from dashboard.pages.attempts.hint_cards import all_hints, hint_list
from dashboard.pages.cases.case_forms import case_forms
from dashboard.pages.cases.case_words import (
    HISTORY,
    KINDS,
    NO_WORK_AT_THE_ARC,
    Case,
    interval_text,
    key_hint,
    kind_of,
    level_text,
    next_text,
    onset_words,
    result_text,
    shown_case_day,
    shown_instant,
    state_text,
    subject_links,
)
from dashboard.pages.cases.news import new_mark, news_line
from dashboard.pages.findings.detail import finding_evidence, finding_links, finding_page
from dashboard.pages.findings.finding_words import finding_title
from dashboard.url_query import shown

EVIDENCE_SHOWN = 5
"""Findings listed at first; the others are one tap away."""
OF_ERRORS = frozenset({"errors-raised", "first-time-lowered"})
"""Kinds of findings whose errors may point to something."""
CASE_KEY = "case"
"""Key of the query under which the page gets the id that stands in its address."""


def chosen_case(view: View) -> Case | None:
    """Return the case of the address; None if none.

    The address has its id, the first characters of it, or the id of one of its findings.
    """
    wanted = view.query.get(CASE_KEY, "")
    try:
        return find_case(view.data.cases(), wanted)
    except UsageError:
        return next((case for case in view.data.cases() if wanted in case["findings"]), None)


def chosen_finding(view: View) -> dict[str, Any] | None:
    """Return the finding of the address: the one asked for on a case's page, or its own page's."""
    wanted = {view.query.get("finding"), view.query.get(CASE_KEY)} - {None, ""}
    return next((finding for finding in view.data.findings() if finding["id"] in wanted), None)


def render(view: View) -> html.Div:
    """Return the page."""
    back = dcc.Link("All cases", href="/cases", className="back")
    case = chosen_case(view)
    finding = chosen_finding(view)
    if case is None and finding is not None:
        return finding_page(finding)
    if case is None:
        return html.Div(
            [
                back,
                heading("Case", f"There is no case {shown(view.query.get(CASE_KEY, ''))} here."),
                notice("The latest analysis has none with this id, or it is not shown to you."),
            ]
        )
    return html.Div(
        [
            html.Div([back, news_line(view, [case], "case", told=False)]),
            heading(case["title"], f"{KINDS.get(kind_of(case), kind_of(case))}, case {case['id']}"),
            html.Div(
                [
                    html.Div([_do_card(view, case), _evidence(view, case)]),
                    html.Div([_outcome(view, case), _history(view, case), _cautions(case)]),
                ],
                className="case-page",
            ),
        ]
    )


def _do_card(view: View, case: Case) -> html.Section:
    steps, closed = next_text(case), case["state"] == "closed"
    # of a closed case the reason says it, and one that waits says so as its next step
    result = "" if closed or case["state"] == "waiting" else result_text(case)
    return html.Section(
        [
            html.Div(id=ids.case_answer(case["id"]), role="status"),
            html.Div(
                [
                    None if closed else severity_tag(case["severity"]),
                    new_mark(view, case),
                    html.Strong(state_text(view, case), className="case-state"),
                ],
                className="row case-head",
            ),
            html.Div(["Result: ", html.Strong(result)]) if result else None,
            html.Div([html.Strong("Next. "), *with_code(steps)], className="next-box")
            if steps
            else None,
            case_forms(view, case),
            key_hint("button to button", "presses"),
        ],
        className="card case-do",
        **{"aria-label": "What to do"},
    )


def _outcome(view: View, case: Case) -> html.Section | None:
    """Return the measure before and after the last action; None where it was not estimated."""
    result = case["result"]
    if result is None or not case["actions"]:
        return None
    unit, last = str(result.get("unit") or ""), case["actions"][-1]
    before, after = result.get("before"), result.get("after")
    if before is None or after is None:
        return None
    low, high = result.get("low"), result.get("high")
    since: list[Any] = [level_text(float(after), unit)]
    if low is not None and high is not None:
        since.append(html.Span(interval_text(float(low), float(high)), className="aside"))
    verdict = str(result["verdict"])
    pairs = [("Before", level_text(float(before), unit)), ("Since", since)]
    by = f" by {last['by']}" if last["by"] else ""
    done = f"{last['what']}{by}, {shown_case_day(view, case, last['at'])}"
    return card(
        html.P(f"Measured around: {done}.", className="muted hint"),
        facts(pairs),
        title=f"Before and after: {VERDICTS.get(verdict, verdict)}",
    )


def _evidence(view: View, case: Case) -> html.Section:
    own = set(case["findings"])
    found = [finding for finding in view.data.findings() if finding["id"] in own]
    found.sort(key=lambda finding: str(finding["until"]), reverse=True)
    found.sort(key=lambda finding: SEVERITY_ORDER[finding["severity"]])
    chosen = chosen_finding(view)
    asked = None if chosen is None else chosen["id"]
    # the one asked for is among the first, so that it is in sight
    found.sort(key=lambda finding: finding["id"] != asked)
    items, older = found[:EVIDENCE_SHOWN], found[EVIDENCE_SHOWN:]
    return card(
        facts(
            [
                ("Began", onset_words(view, case)),
                ("First alarm", shown_case_day(view, case, case["seen"])),
                ("Latest evidence", shown_case_day(view, case, case["until"])),
            ]
        ),
        html.P(["Likely cause: ", html.Strong(str(case["cause_text"]))]),
        html.P(rate_text(case["rate"])) if case["rate"] else None,
        html.Ul(
            [_finding(view, case, finding, opened=finding["id"] == asked) for finding in items],
            className="finding-list",
        )
        if items
        else notice("The records of today no longer show what this rests on."),
        html.Details(
            [
                html.Summary(f"{len(older)} more"),
                html.Ul(
                    [_finding(view, case, finding) for finding in older], className="finding-list"
                ),
            ]
        )
        if older
        else None,
        _points_to(view, case, {finding["kind"] for finding in found}),
        html.Div(subject_links(case), className="row buttons"),
        title="What it rests on",
    )


def _points_to(view: View, case: Case, kinds: set[str]) -> html.Div | None:
    """Return what the errors of its subject point to, where the case is about errors."""
    if not kinds & OF_ERRORS:
        return None
    subject = case["subject"]
    hints = hints_of(all_hints(view), str(subject["type"]), str(subject["id"]))
    if hints.empty:
        return None
    return html.Div(
        [html.H3("What the errors point to"), hint_list(view, hints, with_cautions=False)]
    )


def _finding(view: View, case: Case, finding: dict[str, Any], *, opened: bool = False) -> html.Li:
    """Return one finding with its evidence one tap away; `opened` for the one asked for."""
    own = {link.href for link in subject_links(case)}
    links = [
        dcc.Link(link.children, href=link.href, className="button")
        for link in finding_links(finding)
        if link.href not in own
    ]
    days = " to ".join(
        dict.fromkeys(shown_case_day(view, case, finding[end]) for end in ("since", "until"))
    )
    return html.Li(
        [
            html.Div(
                [html.Strong(finding_title(finding)), html.Span(days, className="muted")],
                className="row",
            ),
            html.Div(finding["summary"]),
            html.Details(
                [
                    html.Summary("Evidence and likely causes"),
                    *finding_evidence(finding),
                    html.Div(links, className="row buttons") if links else None,
                ],
                open=opened,
                className="finding-more",
            ),
        ],
        id=f"finding-{finding['id']}",
        className="mark-line chosen-finding" if opened else "mark-line",
        tabIndex="-1" if opened else None,
    )


def _history(view: View, case: Case) -> html.Section:
    rows = [
        _event(
            shown_case_day(view, case, row["at"])
            if row["what"] == "started"
            else shown_instant(view, case, row["at"]),
            HISTORY.get(row["what"], str(row["what"])),
            row["by"],
            "" if row["what"] in ("started", "seen", "came-back") else str(row["text"]),
        )
        for row in case["history"]
    ]
    result = result_text(case)
    if result and case["state"] == "waiting":
        rows.append(_event("to come" if case["result"]["workdays_needed"] else "as of now",
                           HISTORY["result"], None, result))  # fmt: skip
    return card(html.Ol(rows, className="case-history"), title="History")


def _event(at: str, what: str, by: str | None, text: str) -> html.Li:
    return html.Li(
        [
            html.Div([html.Strong(what), f" by {by}" if by else ""]),
            html.Div(at, className="muted"),
            html.Div(text, className="case-words") if text else None,
        ]
    )


def _cautions(case: Case) -> html.Section | None:
    if case["state"] == "closed" or kind_of(case) in NO_WORK_AT_THE_ARC:
        return None
    # cleaving and cleaning need no hand at the electrodes
    at_the_fiber = (*CAUTIONS[1:3], CAUTIONS[-1])
    cautions = at_the_fiber if kind_of(case) in ("hand", "cleave") else CAUTIONS
    return card(
        html.Ul([html.Li(caution) for caution in cautions], className="cautions"),
        title="Before you touch anything",
    )
