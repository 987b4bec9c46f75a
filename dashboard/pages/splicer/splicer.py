"""The page of one splicer: verdict, checklist, other air, main chart; the rest folded."""

from datetime import date
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.figures.arc import arc_history
from arcdrift.figures.arc_unexplained import ArcChange, unexplained_setting, unexplained_title
from arcdrift.wording import capitalized, screen_text
from dashboard import ids
from dashboard.components import (
    LONG_NAME,
    STATUS,
    View,
    card,
    chart,
    csv_link,
    heading,
    notice,
    paper_card,
    period,
    report_button,
    select,
    shown_day,
)
from dashboard.kept_parts import kept_with_events, kept_with_results
from dashboard.my_splicer import my_splicer
from dashboard.pages.attempts.stops_card import stops_card
from dashboard.pages.cases.case_words import Case
from dashboard.pages.cases.cases import case_list, pressing_first, told_cases
from dashboard.pages.findings.finding_words import is_open
from dashboard.pages.splicer.advice_card import advice_card, advice_now
from dashboard.pages.splicer.arc_model import effects_of, influence_of, model_cards
from dashboard.pages.splicer.checklist_card import checklist_card
from dashboard.pages.splicer.elsewhere_card import elsewhere_card
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


def errors(view: View) -> pd.DataFrame:
    """Return the errors on the chosen splicer in the last quarter."""
    return view.data.result("result_error_splices", splicer=chosen_splicer(view))


TABLES = {
    "errors": errors,
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
    advice, trouble = advice_now(view, splicer)
    checklist = checklist_card(() if advice is None else advice.start_of_day)
    return html.Div(
        [
            html.Div([_title(view, splicer), chooser], className="heading-row splicer-heading"),
            html.Div(
                [
                    html.Div(
                        [
                            advice_card(view, splicer, advice, trouble),
                            written_card(view, splicer),
                        ]
                    ),
                    html.Div([checklist, elsewhere_card(view, splicer, advice)]),
                ],
                className="splicer-now",
            ),
            *_main_chart(view, splicer, None if advice is None else advice.tolerance),
            _cases(view, splicer),
            paper_card(
                report_button("Setting card for its case", "card", {"splicer": splicer}),
                report_button("This page", "splicer", {"splicer": splicer}),
            ),
            html.Div(
                html.Span("drawing the charts", className="muted advice-pending"),
                id=ids.rest_slot(search({**view.query, "splicer": splicer})),
                className="rest",
            ),
        ]
    )


def _title(view: View, splicer: str) -> html.Div:
    known = view.data.crew.splicers.get(splicer)
    description = (
        f"{known.model}, {known.home_site or 'no home site'}" if known else "not in crew.toml"
    )
    is_mine = my_splicer(view.data) == splicer
    mine = html.Button(
        "Mine" if is_mine else "Make it mine",
        className="chip make-mine",
        type="button",
        **{"data-splicer": splicer, "aria-pressed": "true" if is_mine else "false"},
    )
    long = " long" if len(splicer) >= LONG_NAME else ""
    return html.Div([heading(splicer, description), mine], className=f"splicer-title{long}")


def open_change(view: View, splicer: str) -> ArcChange | None:
    """Return the latest change of the arc that its case does not call closed; None without one."""
    found = [
        finding
        for finding in view.data.findings()
        if finding["kind"] in ("arc-step", "arc-drift")
        and finding["subject"] == {"type": "splicer", "id": splicer}
        and is_open(finding)
        and finding["onset"] is not None
    ]
    if not found:
        return None
    latest = max(found, key=lambda finding: str(finding["since"]))
    zone = view.data.zone_of_splicer(splicer)
    since = pd.Timestamp(latest["onset"]["estimate"]).tz_convert(zone).tz_localize(None)
    evidence = latest["evidence"]
    return ArcChange(
        float(evidence["unexplained_change"]),
        since,
        latest["kind"] == "arc-drift",
        screen_text(str(evidence.get("service_since") or "")),
    )


@kept_with_events
def _main_chart(view: View, splicer: str, tolerance: float | None) -> list[html.Section | html.Div]:
    rows, events = points(view), service_and_remarks(view, splicer)
    unit = view.data.unit(splicer)
    change = open_change(view, splicer)
    picture = unexplained_setting(rows, events, change, tolerance, unit=unit, scheme=view.scheme)
    return [
        chart(
            unexplained_title(rows, change, tolerance, unit),
            picture,
            csv=csv_link("/splicer", "arc-points", {**view.query, "splicer": splicer}),
            hint="The arc setting of each check, less what the air of that day and the wear of the "
            "electrodes explain.",
        ),
        html.Div(period(view, DEFAULT_PERIOD), className="filters"),
    ]


def charts_below_advice(view: View) -> list[Any]:
    """Return everything below the main chart; the page loads it after that is shown."""
    splicer = chosen_splicer(view)
    return [
        _stops(view, splicer),
        _recent_days(view, splicer),
        _fold("Electrodes", electrodes_card(view, splicer)),
        _fold("How the arc was judged", _judged(view, splicer)),
        _fold("Programs allowed", [programs_card(view.data.crew)]),
    ]


@kept_with_results
def _stops(view: View, splicer: str) -> html.Section:
    shares = view.data.result("result_error_shares", subject_type="splicer", subject=splicer)
    return stops_card(view, shares, "splicer", splicer, "/splicer")


@kept_with_events
def _judged(view: View, splicer: str) -> list[html.Section]:
    unit = view.data.unit(splicer)
    rows, events = points(view), service_and_remarks(view, splicer)
    return [
        chart(
            "Arc setting found by each check",
            arc_history(rows, events, unit=unit, scheme=view.scheme),
            csv=csv_link("/splicer", "arc-points", {**view.query, "splicer": splicer}),
            hint="What the checks stored, beside what that day's air and the electrodes' "
            "wear led one to expect.",
        ),
        *model_cards(view, splicer),
    ]


def _fold(title: str, cards: list[html.Section]) -> html.Details:
    return html.Details([html.Summary(title), *cards], className="fold")


def _cases(view: View, splicer: str) -> html.Section | None:
    found = open_cases(view, splicer)
    return card(case_list(view, found), title="Open cases") if found else None


def open_cases(view: View, splicer: str) -> list[Case]:
    """Return the open cases about a splicer or its splices with one program."""
    return pressing_first(
        [
            case
            for case in told_cases(view)
            if case["state"] != "closed"
            and case["subject"]["type"] in ("splicer", "stream")
            and (str(case["subject"]["id"]) + " / ").startswith(f"{splicer} / ")
        ]
    )


@kept_with_results
def _recent_days(view: View, splicer: str) -> html.Section:
    days = view.data.result("result_check_days", splicer=splicer).sort_values("day")
    recent = days[days["status"] != "no-work"].tail(RECENT_DAYS)
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
                html.Span(_short_day(row["day"]), **{"aria-hidden": "true"}),
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
        html.P(f"{capitalized(text)}."),
        dcc.Link("All days", href=href("/checks", splicer=splicer), className="more"),
        title=title,
    )


def _short_day(day: str) -> str:
    at = date.fromisoformat(day)
    return f"{at.day} {at:%b}"
