"""Part of the Cases page: what was seen and is part of no case; all findings as a table."""

from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.case import STATES
from arcdrift.finding import SEVERITY_ORDER
from arcdrift.wording import count_text
from dashboard.components import View, csv_button, shown_day
from dashboard.pages.findings.finding_words import (
    concerns_splicer,
    finding_href,
    finding_title,
    next_step,
    subject_text,
)

NOTES_SHOWN = 40
"""Notes listed at most; the download has all."""
COLUMNS = (
    "severity", "finding", "subject", "since", "until", "summary", "next_step", "case", "id",
)  # fmt: skip


def notes(view: View) -> list[dict[str, Any]]:
    """Return the findings that are part of no listed case, those that still ask for work first.

    Among these the most severe come first, and the latest within. Single splices over the limit
    are left out, since they are a list to revisit. The subject in the address narrows them.
    """
    work = {case["id"] for case in view.data.cases() if case["told"]}
    wanted = view.query.get("subject", "")
    found = [
        finding
        for finding in view.data.findings()
        if finding["case_id"] not in work
        and finding["kind"] != "loss-over-limit"
        and (not wanted or _concerns(finding, wanted))
    ]
    return sorted(_most_severe_first(found), key=_asks_for_work, reverse=True)


def _asks_for_work(finding: dict[str, Any]) -> bool:
    return bool(finding["severity"] != "note" and finding["case_state"] != "closed")


def _most_severe_first(findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    latest_first = sorted(findings, key=lambda finding: str(finding["until"]), reverse=True)
    return sorted(latest_first, key=lambda finding: SEVERITY_ORDER[finding["severity"]])


def _concerns(finding: dict[str, Any], key: str) -> bool:
    kind, _, name = key.partition(":")
    if kind == "splicer":
        return concerns_splicer(finding, name)
    return bool(finding["subject"]["type"] == kind and finding["subject"]["id"] == name)


def _table(findings: list[dict[str, Any]]) -> pd.DataFrame:
    rows = [
        (
            finding["severity"], finding_title(finding), finding["subject"]["id"],
            finding["since"], finding["until"], finding["summary"], next_step(finding),
            STATES.get(finding["case_state"], ""), finding["id"],
        )
        for finding in findings
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def findings_table(view: View) -> pd.DataFrame:
    """Return every finding, the most severe first, the latest first within."""
    return _table(_most_severe_first(view.data.findings()))


def notes_table(view: View) -> pd.DataFrame:
    """Return the notes of the page."""
    return _table(notes(view))


def notes_section(view: View) -> html.Section | None:
    """Return the folded list of notes; None without any."""
    found = notes(view)
    if not found:
        return None
    listed, more = found[:NOTES_SHOWN], len(found) - NOTES_SHOWN
    return html.Section(
        html.Details(
            [
                html.Summary(f"Notes ({len(found):,}): not part of a listed case"),
                html.P(
                    "What is still to be done or watched comes first, with its next step. The rest "
                    "was seen once, is over by now, or is better than before.",
                    className="muted hint",
                ),
                html.Ul([_row(finding) for finding in listed], className="finding-list notes"),
                html.P(f"{count_text(more, 'more note')} in the CSV.", className="muted")
                if more > 0
                else None,
                html.Div(
                    [
                        csv_button("/cases", "notes", view.query, "these notes"),
                        csv_button("/cases", "findings", {}, "every finding, those of cases too"),
                    ],
                    className="row",
                ),
            ]
        ),
        className="card closed-cases",
    )


def _row(finding: dict[str, Any]) -> html.Li:
    return html.Li(
        dcc.Link(
            [
                html.Div(
                    [
                        html.Strong(f"{subject_text(finding)}: {finding_title(finding).lower()}"),
                        html.Span(shown_day(finding["until"]), className="muted"),
                    ],
                    className="row",
                ),
                html.Div(finding["summary"]),
                html.Div(["Next: ", next_step(finding)], className="next")
                if _asks_for_work(finding)
                else None,
            ],
            href=finding_href(finding),
            className="finding-link",
        )
    )
