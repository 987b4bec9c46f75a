"""Findings in words: titles, subjects, causes, next steps; which are open, and of which splicer."""

from datetime import datetime, timedelta
from itertools import takewhile
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.common.episodes import RECENT
from arcdrift.case import STATES
from arcdrift.finding import KINDS, NO_CAUSE
from arcdrift.wording import capitalized
from dashboard.components import severity_tag, shown_day
from dashboard.subjects import MEASURE_OF_KIND, subject_title
from dashboard.url_query import href

TITLES_WHEN_QUIET = {
    "arc-drift": "Arc setting had drifted, now quiet",
    "loss-raised": "Loss had risen, now quiet",
    "loss-lowered": "Loss had fallen, now quiet",
}
"""Titles of findings about a change, once the change no longer shows."""
IN_ORDER = "Look at the likely causes in order; "
"""Beginning of a next step that is dropped where no causes are listed."""


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
    """Return a finding's next step, or that of its case once something was done about it.

    It does not refer to causes where none are listed.
    """
    if finding.get("case_step"):
        return str(finding["case_step"])
    step = str(finding["next_step"])
    if _listed_causes(finding) or not step.startswith(IN_ORDER):
        return step
    rest = step.removeprefix(IN_ORDER)
    return capitalized(rest)


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
    if subject["type"] == "stream":
        return name.replace(" / ", ", ", 1)
    return subject_title(subject["type"], name) if rolled else name


def is_open(finding: dict[str, Any]) -> bool:
    """Return whether a finding is open: its case is not closed."""
    return bool(finding["case_state"] != "closed")


def case_link(finding: dict[str, Any]) -> dcc.Link | None:
    """Return the link to a finding's case, which says where that stands; None without one."""
    if finding["case_id"] is None:
        if finding["kind"] != "loss-over-limit":
            return None
        return dcc.Link("Among the splices to revisit", href="/cases/revisit", className="to-case")
    state = STATES.get(str(finding["case_state"]))
    if state is None:
        return None
    return dcc.Link(f"Case: {state}", href=f"/cases/{finding['case_id']}", className="to-case")


def finding_href(finding: dict[str, Any]) -> str:
    """Return the address at which a finding is shown: on its case's page, or on its own."""
    if finding["case_id"] is None:
        return f"/cases/{finding['id']}"
    return href(f"/cases/{finding['case_id']}", finding=finding["id"])


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


def finding_card(finding: dict[str, Any]) -> html.Div:
    """Return a finding as a card that leads to it, and to its case."""
    return html.Div(
        [
            dcc.Link(
                [
                    html.Div(
                        [severity_tag(finding["severity"]), html.Strong(finding_title(finding))],
                        className="row",
                    ),
                    html.Div(finding["summary"]),
                    *causes_and_next_step(finding),
                ],
                href=finding_href(finding),
                className="finding-link",
            ),
            case_link(finding),
        ],
        className="card with-case",
    )
