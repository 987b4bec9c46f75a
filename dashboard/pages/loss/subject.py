"""The page of one rolled-up loss chart: of a splicer, person, site, the crew or a stream."""

from datetime import date
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.figures.subject import subject_days, subject_evidence
from arcdrift.finding import SEVERITY_ORDER
from arcdrift.instants import day_text
from arcdrift.people import HIDDEN
from arcdrift.wording import change_words, count_text
from dashboard.components import (
    PERIODS,
    View,
    chart,
    csv_link,
    folded,
    heading,
    notice,
    period,
    select,
)
from dashboard.events import events_of
from dashboard.pages.findings.finding_words import finding_card, is_open, onset_range
from dashboard.pages.loss.loss_changes import local_day, relief_of
from dashboard.subjects import FORMER_MEASURES, MEASURE_OF_KIND, TITLES, subject_title
from dashboard.url_query import href, shown

DEFAULT_PERIOD = "90"
COACHING = (
    "For coaching, not for pay, praise or blame: a rise may come from the work, the fiber or the "
    "place rather than from the person."
)
MEANS = {
    "level": "Each day is compared with what the same splicers and programs usually lose, so that "
    "harder work does not look like worse work; 1 is as usual.",
    "spread": "How far single losses of a day stray from the day's mean. Where several programs "
    "are taken together, each is compared with what the same splicers and programs usually "
    "scatter; 1 is as usual.",
    "dirty": "Splices far above the others, as dust or a bad cleave makes them. The dashed line is "
    "the share that the same splicers and programs usually have.",
    "first_time": "A place is right first time if its first splice is finished within the accepted "
    "loss and nothing there is made again that day. The dashed line is the share that the same "
    "splicers and programs usually have.",
    "errors": "Attempts that ended with an error. The dashed line is the share that the same "
    "splicers and programs usually have.",
}


def named(view: View) -> tuple[str, str, str]:
    """Return the subject type, subject and measure in the address."""
    kind, _, name = view.query.get("subject", "").partition(":")
    measure = view.query.get("measure", "level")
    measure = FORMER_MEASURES.get(measure, measure)
    return kind, name, measure if measure in TITLES else "level"


def rows_of(view: View, kind: str, name: str) -> pd.DataFrame:
    """Return every day of every chart of a subject; people only where they may be seen."""
    rows = view.data.people.subjects(view.data.result("result_subject_days", subject_type=kind))
    return rows[rows["subject_id"] == name]


def one_subject(view: View) -> pd.DataFrame:
    """Return days of the chart named in the address, in the chosen period."""
    kind, name, measure = named(view)
    rows = rows_of(view, kind, name)
    return rows[(rows["measure"] == measure) & (rows["day"] >= view.first_day(DEFAULT_PERIOD))]


def render_subject(view: View) -> html.Div:
    """Return the page of the chart named in the address."""
    kind, name, measure = named(view)
    back = dcc.Link("← Loss", href=href("/loss", period=view.query.get("period")), className="back")
    if kind == "stream":
        splicer, _, program = name.partition(" / ")
        back = dcc.Link(
            f"← {shown(name)}",
            href=href("/loss", splicer=splicer, program=program),
            className="back",
        )
    subject = subject_title(kind, shown(name)).replace(" / ", ", ", 1)
    title = heading(f"{subject}: {TITLES[measure].lower()}", MEANS[measure])
    if kind == "technician" and not view.data.people.any_pages:
        return html.Div([back, title, notice(HIDDEN)])
    rows = rows_of(view, kind, name)
    if rows.empty:
        sentence = (
            "There is no chart of that name; a splicer, person or site has one once it worked."
        )
        return html.Div([back, title, notice(sentence)])
    available = set(rows["measure"])
    measure = measure if measure in available else next(key for key in TITLES if key in available)
    days = one_subject(view) if measure == named(view)[2] else rows[rows["measure"] == measure]
    findings = sorted(
        (
            finding
            for finding in view.data.findings()
            if is_open(finding)
            and MEASURE_OF_KIND.get(finding["kind"]) == measure
            and finding["subject"] == {"type": kind, "id": name}
        ),
        key=lambda finding: SEVERITY_ORDER[finding["severity"]],
    )
    onset = next((span for finding in findings if (span := onset_range(finding))), None)
    events = events_of(view.data, kind, name)
    csv = csv_link("/loss", "subject-days", view.query)
    return html.Div(
        [
            back,
            html.Div(
                [
                    heading(_seen(view, subject, measure, days, findings), MEANS[measure]),
                    _choices(view, available, measure),
                ],
                className="heading-row loss-head",
            ),
            notice(COACHING, name="purpose") if kind == "technician" else None,
            chart(
                f"{TITLES[measure]}, day by day",
                subject_days(days, measure, events, onset=onset, scheme=view.scheme),
                csv=csv,
            ),
            *[finding_card(finding) for finding in findings],
            folded("How sure: evidence against the limit", "loss", "subject-evidence", view.query),
            html.P(
                dcc.Link(f"Open {name}", href=_home(kind, name), className="button")
                if kind in ("splicer", "technician")
                else None
            ),
        ]
    )  # fmt: skip


def _choices(view: View, available: set[str], measure: str) -> html.Details:
    """Return what can be chosen, folded while nothing is."""
    return html.Details(
        [
            html.Summary(f"Choose ({PERIODS[view.period(DEFAULT_PERIOD)]})", className="button"),
            html.Div(
                [
                    period(view, DEFAULT_PERIOD),
                    select(
                        "measure", "Chart",
                        [(key, text) for key, text in TITLES.items() if key in available],
                        measure, default="level" if "level" in available else measure,
                    ),
                ],
                className="filters",
            ),
        ],
        open="period" in view.query or "measure" in view.query,
        className="case-filters",
    )  # fmt: skip


def _seen(
    view: View, subject: str, measure: str, days: pd.DataFrame, findings: list[dict[str, Any]]
) -> str:
    """Say what the chart shows: its open change, else its alarms, else that all is as usual."""
    name = f"{subject}: {TITLES[measure].lower()}"
    changed = [finding for finding in findings if "ratio" in finding["evidence"]]
    if changed and changed[0]["onset"] is not None:
        change = change_words(float(changed[0]["evidence"]["ratio"]) - 1)
        relief = relief_of(view, changed[0]["id"])
        since = f"{name} {change} since {day_text(local_day(changed[0]['onset']['estimate']))}"
        return f"{since}, {relief}" if relief else since
    if alarms := int(days["alarm"].sum()):
        last = date.fromisoformat(days.loc[days["alarm"].astype(bool), "day"].max())
        return f"{name}, {count_text(alarms, 'alarm')}, the last on {day_text(last)}"
    return f"{name} as usual, no alarm"


def subject_evidence_part(view: View) -> html.Section:
    """Return the chart of evidence, which is made when somebody opens it."""
    kind, name, _ = named(view)
    return chart(
        "Evidence of a lasting rise",
        subject_evidence(one_subject(view), events_of(view.data, kind, name), scheme=view.scheme),
        csv=csv_link("/loss", "subject-days", view.query),
        hint="Small surprises add up here; beyond the limit the rise is hardly chance.",
    )


def _home(kind: str, name: str) -> str:
    if kind == "technician":
        return href("/person", technician=name)
    return href("/splicer", splicer=name)
