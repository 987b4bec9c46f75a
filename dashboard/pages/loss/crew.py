"""Parts of the Loss page about the whole crew: answers in words, weeks, what lies behind them."""

from datetime import timedelta
from typing import Any

import numpy as np
import pandas as pd
from dash import dcc, html

from arcdrift.figures.crew_weeks import crew_weeks, crew_weeks_chart, last_week, last_week_right
from arcdrift.figures.loss_titles import crew_title
from arcdrift.figures.subject import shared_effect, subject_evidence
from arcdrift.wording import change_words, count_text, holding_text, percent_text
from dashboard.components import View, card, chart, csv_link, shown_day
from dashboard.events import events_of
from dashboard.pages.loss.loss_changes import relief_of
from dashboard.pages.loss.stream import DEFAULT_PERIOD
from dashboard.pages.loss.subject import rows_of
from dashboard.subjects import OF_ATTEMPTS, chart_address
from dashboard.url_query import href

ROLLED = {
    "crew": "Crew", "site": "Sites", "splicer": "Splicers", "technician": "People",
    "program": "Programs", "holding": "How fibers are held",
}  # fmt: skip
MOST_NAMED = 3


def crew_days(view: View) -> pd.DataFrame:
    """Select crew days of the chosen period."""
    days = view.data.result("result_crew_days")
    return days[days["day"] >= view.first_day(DEFAULT_PERIOD)]


def weeks_table(view: View) -> pd.DataFrame:
    """Return the crew's weeks of the chosen period."""
    return crew_weeks(crew_days(view))


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


def _running(view: View) -> str:
    """Return the Monday of the running week, ISO."""
    today = view.run.now.astimezone(view.data.zone()).date()
    return (today - timedelta(days=today.weekday())).isoformat()


def answers(view: View, rows: pd.DataFrame) -> html.Section:
    """Say in words how the crew's loss stands, whose rose, and what is over the limit."""
    return html.Section(
        html.Ul(
            [
                html.Li(_crew_words(view)),
                html.Li(_right_words(view)),
                html.Li(_risen_words(view, rows)),
                html.Li(_revisit_words(view)),
            ],
            className="answers",
        ),
        className="card loss-answers",
    )


def _crew_words(view: View) -> str:
    found = last_week(crew_weeks(view.data.result("result_crew_days")), _running(view))
    accepted = view.data.crew.acceptance.average_db
    if found is None:
        return f"No week with splices is over yet; accepted on average are {accepted:.2f} dB."
    words = crew_title(*found)
    against = "under" if found[0] <= accepted else "over"
    return f"{words}: {against} the {accepted:.2f} dB accepted on average."


def _right_words(view: View) -> list[Any]:
    """Say how many places were right first time, with the chart of it."""
    found = last_week_right(crew_weeks(view.data.result("result_crew_days")), _running(view))
    if found is None:
        return ["Right first time: no week with enough places is over yet."]
    now, before = (None if share is None else percent_text(share) for share in found)
    words = f"Right first time last week: {now} of places"
    words += "" if before is None else f", {before} in the four weeks before"
    days = rows_of(view, "crew", "crew")
    if not (days["measure"] == "first_time").any():
        return [f"{words}."]
    where = chart_address({"measure": "first_time", "subject_type": "crew", "subject_id": "crew"})
    return [f"{words} (", dcc.Link("day by day", href=where), ")."]


def _risen_words(view: View, rows: pd.DataFrame) -> list[Any]:
    risen = rows[rows["change_since"].notna() & (rows["change"].astype(float) > 0)]
    if risen.empty:
        return ["No splicer's loss is up now."]
    words: list[Any] = ["Risen: "]
    for number, row in enumerate(risen.head(MOST_NAMED).to_dict("records")):
        words += [
            "; " if number else "",
            dcc.Link(
                f"{row['splicer']}, {row['program']}",
                href=href("/loss", splicer=row["splicer"], program=row["program"]),
            ),
            f" {change_words(float(row['change']))} since {shown_day(row['change_since'])}",
            f", {relief}" if (relief := relief_of(view, row["change_finding"])) else "",
        ]
    more = len(risen) - MOST_NAMED
    return [*words, f"; and {more} more." if more > 0 else "."]


def _revisit_words(view: View) -> list[Any]:
    waiting = view.data.revisit_rows().waiting
    if not waiting:
        return ["No splice over the accepted limit waits to be made again."]
    link = dcc.Link(f"{count_text(len(waiting), 'splice')} to revisit", href="/cases/revisit")
    return ["Over the accepted limit: ", link, "."]


def weeks_chart(view: View) -> html.Section:
    """Return the crew's weeks with the accepted level."""
    weeks, running = weeks_table(view), _running(view)
    found = last_week(weeks, running)
    return chart(
        crew_title(*found) if found else "The crew, week by week",
        crew_weeks_chart(
            weeks,
            events_of(view.data, "crew", "crew"),
            accepted_db=view.data.crew.acceptance.average_db,
            running=running,
            scheme=view.scheme,
        ),
        csv=csv_link("/loss", "crew-weeks", view.query),
    )


def together_part(view: View) -> html.Div:
    """Return the charts of all splicers together, which are made when somebody opens them."""
    return html.Div(
        [
            _crew_evidence(view),
            chart(
                "What a day did to everybody",
                shared_effect(_effects(view), scheme=view.scheme),
                csv=csv_link("/loss", "shared-days", view.query),
                hint="Weather, or a bad batch of fiber, moves everybody's loss on the same day. "
                "That part is estimated from the others and taken out of each splicer's days "
                "before they are judged, so that one such day does not set off every chart; the "
                "crew's own chart keeps it.",
                legend=False,
            ),
            subjects_list(view),
        ]
    )


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


def subjects_list(view: View) -> html.Section | None:
    """Return the list of charts of splicers, people, sites and the crew."""
    days = view.data.people.subjects(view.data.result("result_subject_days"))
    of_attempts = days["subject_type"].isin(OF_ATTEMPTS)
    shown = days["measure"] == np.where(of_attempts, "first_time", "level")
    days = days[shown & (days["day"] >= view.first_day(DEFAULT_PERIOD))]
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
                        _chart_name(kind, row["subject_id"]),
                        href=chart_address(
                            row | {"measure": "first_time" if kind in OF_ATTEMPTS else "level"}
                        ),
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
            "program has that program's chart instead. Programs and ways of holding fibers have "
            "charts of places right first time and of errors.",
            className="muted hint",
        ),
        html.Div(items, className="rolled"),
        title="By splicer, person, site, program and crew",
    )


def _chart_name(kind: str, name: str) -> str:
    if kind == "crew":
        return "The whole crew"
    return holding_text(name) if kind == "holding" else name


def _evidence_text(row: dict[Any, Any]) -> str:
    count = int(row["alarm"])
    alarms = f"{count_text(count, 'alarm')}, " if count else ""
    if pd.isna(row["statistic"]) or not row["limit"] > 0:
        return f"{alarms}not judged yet"
    return (
        f"{alarms}{'now ' if alarms else ''}{100 * row['statistic'] / row['limit']:.0f} % of limit"
    )
