"""Part of the Loss page: charts of the whole crew, and the list of rolled-up charts."""

from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.figures.loss import crew_trend
from arcdrift.figures.subject import shared_effect, subject_evidence
from arcdrift.wording import count_text
from dashboard.components import View, card, chart, csv_link
from dashboard.events import events_of
from dashboard.pages.loss.stream import DEFAULT_PERIOD
from dashboard.pages.loss.subject import rows_of
from dashboard.subjects import chart_address

ROLLED = {"crew": "Crew", "site": "Sites", "splicer": "Splicers", "technician": "People"}


def crew_days(view: View) -> pd.DataFrame:
    """Select crew days of the chosen period."""
    days = view.data.result("result_crew_days")
    return days[days["day"] >= view.first_day(DEFAULT_PERIOD)]


def crew_evidence(view: View) -> pd.DataFrame:
    """Select days of the crew's own chart of loss, in the chosen period."""
    rows = rows_of(view, "crew", "crew")
    return rows[(rows["measure"] == "level") & (rows["day"] >= view.first_day(DEFAULT_PERIOD))]


def shared_days(view: View) -> pd.DataFrame:
    """Return each day's common effect on all streams in the chosen period, in percent."""
    return shared_effect(_effects(view)).table


def _effects(view: View) -> pd.DataFrame:
    days = view.data.result("result_stream_days")
    return days.loc[days["day"] >= view.first_day(DEFAULT_PERIOD), ["day", "crew_effect"]]


def crew_charts(view: View) -> list[Any]:
    """Return charts of all splicers and programs together."""
    return [
        chart(
            "The crew, day by day",
            crew_trend(crew_days(view), events_of(view.data, "crew", "crew"), scheme=view.scheme),
            csv=csv_link("/loss", "crew-days", view.query),
            hint="All splicers and programs together: the filters for splicer and program "
            "choose streams below.",
        ),
        _crew_evidence(view),
        chart(
            "What a day did to everybody",
            shared_effect(_effects(view), scheme=view.scheme),
            csv=csv_link("/loss", "shared-days", view.query),
            hint="Weather, or a bad batch of fiber, moves the loss of all streams on the same "
            "day. That part is estimated from the others and taken out of each stream before "
            "it is judged, so that one such day does not set off every chart; the crew's own "
            "chart keeps it.",
            legend=False,
        ),
    ]


def _crew_evidence(view: View) -> Any:
    """Return the crew's own chart and its limit; None for a crew without one (one splicer)."""
    rows = crew_evidence(view)
    if rows.empty:
        return None
    return chart(
        "Evidence that the whole crew's loss has risen",
        subject_evidence(rows, events_of(view.data, "crew", "crew"), scheme=view.scheme),
        csv=csv_link("/loss", "crew-evidence", view.query),
        hint="Each day is compared with what the same splicers and programs usually lose. Small "
        "surprises add up; beyond the limit the rise is hardly chance.",
    )


def rolled_up(view: View) -> html.Section | None:
    """Return the list of rolled-up charts by kind of subject."""
    days = view.data.people.subjects(view.data.result("result_subject_days"))
    days = days[(days["measure"] == "level") & (days["day"] >= view.first_day(DEFAULT_PERIOD))]
    if days.empty:
        return None
    last = days.sort_values("day").groupby(["subject_type", "subject_id"], as_index=False)
    rows = last.agg({"day": "last", "statistic": "last", "limit": "last", "alarm": "sum"})
    items = []
    for kind, text in ROLLED.items():
        links = [
            html.Li(
                [
                    dcc.Link(
                        row["subject_id"] if kind != "crew" else "The whole crew",
                        href=chart_address(row | {"measure": "level"}),
                    ),
                    html.Span(_evidence_text(row), className="muted"),
                ],
                className="row",
            )
            for row in rows[rows["subject_type"] == kind].to_dict("records")
        ]
        if links:
            items.append(html.Div([html.H3(text), html.Ul(links, className="plain-list")]))
    return card(
        html.P(
            "Charts of all work of one splicer, person, site or the crew, each compared with what "
            "the same splicers and programs usually lose. Beside each: its alarms in this period, "
            "and how far the evidence of a rise has come toward its limit. A splicer with one "
            "program has its stream's chart instead.",
            className="muted hint",
        ),
        html.Div(items, className="rolled"),
        title="Rolled up",
    )


def _evidence_text(row: dict[Any, Any]) -> str:
    count = int(row["alarm"])
    alarms = f"{count_text(count, 'alarm')}, " if count else ""
    if pd.isna(row["statistic"]) or not row["limit"] > 0:
        return f"{alarms}not judged yet"
    return (
        f"{alarms}{'now ' if alarms else ''}{100 * row['statistic'] / row['limit']:.0f} % of limit"
    )
