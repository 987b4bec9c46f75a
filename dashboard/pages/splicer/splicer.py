"""The page of one splicer: advice, findings, arc charts, electrodes and recent checks."""

from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.figures.arc import arc_drift, arc_history
from dashboard import ids
from dashboard.components import (
    STATUS,
    View,
    card,
    chart,
    csv_link,
    heading,
    notice,
    period,
    select,
    severity_tag,
    shown_day,
)
from dashboard.pages.findings.finding_words import (
    case_link,
    concerns_splicer,
    finding_title,
    is_open,
)
from dashboard.pages.splicer.advice_card import advice_card
from dashboard.pages.splicer.arc_model import effects_of, influence_of, model_cards
from dashboard.pages.splicer.upkeep import electrodes_card, programs_card, wear_table
from dashboard.pages.splicer.written_card import checks_by_hand, service_and_remarks, written_card
from dashboard.url_query import href, search, shown

DEFAULT_PERIOD = "365"
RECENT_DAYS = 21


def chosen_splicer(view: View) -> str:
    """Return the splicer in the address, or the crew's first; empty where there is none."""
    names = view.data.splicers()
    requested = view.query.get("splicer", "")
    return requested or (names[0] if names else "")


def points(view: View) -> pd.DataFrame:
    """Return arc checks of the chosen splicer and period, with ``at`` in its local time.

    ``by_hand`` tells which ones a person wrote down.
    """
    splicer = chosen_splicer(view)
    rows = view.data.result("result_arc_points", splicer=splicer)
    at = pd.to_datetime(rows["checked_at"], utc=True)
    zone = view.data.zone_of_splicer(splicer)
    by_hand = checks_by_hand(view, splicer)
    rows = rows.assign(at=at.dt.tz_convert(zone).dt.tz_localize(None), by_hand=at.isin(by_hand))
    first = view.first_day(DEFAULT_PERIOD)
    return rows[rows["at"] >= pd.Timestamp(first)] if first else rows


def _effects(view: View) -> pd.DataFrame:
    return effects_of(view, chosen_splicer(view))


def _influence(view: View) -> pd.DataFrame:
    return influence_of(view, chosen_splicer(view))


def _wear(view: View) -> pd.DataFrame:
    return wear_table(view, chosen_splicer(view))


TABLES = {
    "arc-points": points,
    "effects": _effects,
    "influence": _influence,
    "electrodes": _wear,
}


def render(view: View) -> html.Div:
    """Return the page."""
    names = view.data.splicers()
    splicer = chosen_splicer(view)
    chooser = select(
        "splicer",
        "Splicer",
        [(name, name) for name in names],
        splicer if splicer in names else None,
        default=names[0] if names else "",
    )
    if splicer not in names:
        text = f"No splicer is called {shown(splicer)}." if splicer else "No splicer is known yet."
        return html.Div([heading("Splicer", text), html.Div(chooser, className="filters")])
    known = view.data.crew.splicers.get(splicer)
    description = (
        f"{known.model}, {known.home_site or 'no home site'}" if known else "not in crew.toml"
    )
    query = {**view.query, "splicer": splicer}
    return html.Div(
        [
            html.Div([heading(splicer, description), chooser], className="heading-row"),
            advice_card(view, splicer),
            written_card(view, splicer),
            _findings(view, splicer),
            html.Div(period(view, DEFAULT_PERIOD), className="filters"),
            html.Div(
                html.Span("drawing the charts", className="muted advice-pending"),
                id=ids.rest_slot(search(query)),
                className="rest",
            ),
        ]
    )


def charts_below_advice(view: View) -> list[Any]:
    """Return everything below the advice; the page loads it after the advice is shown."""
    splicer = chosen_splicer(view)
    unit = view.data.unit(splicer)
    rows, events = points(view), service_and_remarks(view, splicer)
    csv = csv_link("/splicer", "arc-points", {**view.query, "splicer": splicer})
    return [
        chart(
            "Arc setting found by each check",
            arc_history(rows, events, unit=unit, scheme=view.scheme),
            csv=csv,
            hint="What the checks stored, beside what that day's air and the electrodes' wear "
            "led one to expect.",
        ),
        chart(
            "Evidence of drift that air and wear do not explain",
            arc_drift(rows, events, scheme=view.scheme),
            csv=csv,
            hint="Counted in ordinary swings from check to check; beyond a limit the change "
            "is hardly chance.",
        ),
        *electrodes_card(view, splicer),
        *model_cards(view, splicer),
        _recent_days(view, splicer),
        programs_card(view.data.crew),
    ]


def _findings(view: View, splicer: str) -> html.Section | None:
    findings = [f for f in view.data.findings() if is_open(f) and concerns_splicer(f, splicer)]
    if not findings:
        return None
    items = [
        html.Li(
            [
                dcc.Link(
                    [
                        html.Div(
                            [
                                severity_tag(finding["severity"]),
                                html.Strong(finding_title(finding)),
                            ],
                            className="row",
                        ),
                        html.Div(finding["summary"]),
                    ],
                    href=href("/findings", finding=finding["id"]),
                    className="finding-link",
                ),
                case_link(finding),
            ],
            className="with-case",
        )
        for finding in findings[:4]
    ]
    return card(
        html.Ul(items, className="finding-list"),
        dcc.Link(f"All {len(findings)}", href=href("/findings", splicer=splicer), className="more")
        if len(findings) > 4
        else None,
        title="Findings of cases that are not closed",
    )


def _recent_days(view: View, splicer: str) -> html.Section:
    days = view.data.result("result_check_days", splicer=splicer).sort_values("day")
    recent = days[days["status"] != "no-work"].tail(RECENT_DAYS).iloc[::-1]
    title = f"Arc checks of the last {len(recent)} days with work"
    if recent.empty:
        return card(notice("No day with work on record."), title="Arc checks")
    cells = [
        html.Li(
            [
                html.Span(
                    STATUS[row["status"]][0],
                    className=f"cell cell-{row['status']}",
                    **{"aria-hidden": "true"},
                ),
                html.Span(row["day"][5:], **{"aria-hidden": "true"}),
                html.Span(
                    f"{shown_day(row['day'])}: {STATUS[row['status']][1]}",
                    className="for-readers",
                ),
            ],
            title=f"{shown_day(row['day'])}: {STATUS[row['status']][1]}",
        )
        for row in recent.to_dict("records")
    ]
    counts = recent["status"].value_counts()
    text = ", ".join(f"{count} {STATUS[str(status)][1]}" for status, count in counts.items())
    return card(
        html.Ul(cells, className="day-strip"),
        html.P(f"Newest day on the left: {text}."),
        dcc.Link("All days", href=href("/checks", splicer=splicer), className="more"),
        title=title,
    )
