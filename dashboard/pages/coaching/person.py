"""The page of one person: what to work on, the last session and its result; the rest folded."""

import json
from collections.abc import Callable, Hashable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.people.coaching_topics import PersonTopics
from arcdrift.analysis.people.technician_report import visible_rows
from arcdrift.figures.hands import days_with_sessions
from arcdrift.figures.prep import spread_days
from arcdrift.people import HIDDEN, PURPOSE
from arcdrift.wording import count_text, percent_text
from dashboard.components import (
    View,
    card,
    chart,
    csv_link,
    facts,
    folded,
    heading,
    notice,
    paper_card,
    report_button,
    select,
)
from dashboard.kept_parts import kept_with_results
from dashboard.pages.attempts.stops_card import stops_card
from dashboard.pages.coaching import signatures
from dashboard.pages.coaching.coaching_card import coaching_card, coaching_log
from dashboard.pages.coaching.everybody import angles_of
from dashboard.pages.coaching.own_work import haste_card, holding_card
from dashboard.pages.coaching.people_rows import (
    document,
    effect_cell,
    person_href,
    ratio_cell,
    rows_of,
    rows_of_person,
    topics_of_person,
    verdict_tag,
)
from dashboard.pages.coaching.person_to_show import by_machine_card, page_to_show
from dashboard.pages.coaching.signatures import signatures_card
from dashboard.pages.coaching.topic_cards import measure_of, topic_list
from dashboard.reading.data import CrewData
from dashboard.url_query import href, shown

Row = Mapping[Hashable, Any]
MEASURES = {"loss": "Loss", "angle": "Cleave angle", "redo": "Redone"}
NOTHING_STANDS_OUT = "Nothing stands out: there is nothing to see to this week."
ANSWERS = {"good": "good enough", "poor": "not good enough", "open": "open"}


def _name(view: View) -> str:
    """Return the name in the address, as shown."""
    return view.query.get("technician", "")


def _rows_of_person(view: View, table: str) -> pd.DataFrame:
    return rows_of_person(view, table, _name(view))


def days(view: View) -> pd.DataFrame:
    """Return the person's days."""
    return _rows_of_person(view, "person_days")


def angles(view: View) -> pd.DataFrame:
    """Return the days of the chart of cleave angles."""
    return angles_of(view, "technician", _name(view)).table


def hands(view: View) -> pd.DataFrame:
    """Return the person's differences from the median colleague by splicer and cleaver."""
    return _rows_of_person(view, "hands_by_machine")


def errors(view: View) -> pd.DataFrame:
    """Return the person's errors of the last quarter."""
    return visible_rows(
        view.data.people, "error_splices", view.data.result("result_error_splices")
    ).query("technician == @name", local_dict={"name": _name(view)})


def held(view: View) -> pd.DataFrame:
    """Return how the person's work differs between clamp and holder."""
    known = rows_of(view, "holding")
    return known[(known["subject_type"] == "technician") & (known["subject"] == _name(view))]


def hurried(view: View) -> pd.DataFrame:
    """Return how the person's faster stretches differ from their slower ones."""
    return _rows_of_person(view, "haste")


TABLES: dict[str, Callable[[View], pd.DataFrame]] = {
    "days": days, "angles": angles, "by-machine": hands, "errors": errors,
    "holding": held, "haste": hurried, **signatures.TABLES
}  # fmt: skip


def render(view: View) -> html.Div:
    """Return the page."""
    back = dcc.Link("← Coaching", href="/coaching", className="back")
    title = heading(shown(_name(view)) or "One person", "What to work on, and what came of it.")
    if not view.data.people.any_pages:
        return html.Div([back, title, notice(HIDDEN)])
    known = sorted(set(rows_of(view, "person_days").get("technician", [])))
    if _name(view) not in known:
        sentence = (
            f"Nobody named {shown(_name(view))} is on record." if _name(view) else "Choose a name."
        )
        return html.Div([back, title, _chooser(view, known), notice(sentence)])
    person = topics_of_person(view, _name(view))
    person_days = days(view)
    sessions = sessions_of(view)
    if view.query.get("show") == "1":
        return page_to_show(view, person, person_days, sessions)
    return html.Div(
        [
            back,
            html.Div(
                [
                    title,
                    html.Div(
                        [
                            dcc.Link(
                                "Page to show",
                                href=person_href(_name(view), to_show=True),
                                className="button",
                            ),
                            _chooser(view, known),
                        ],
                        className="row person-tools",
                    ),
                ],
                className="heading-row person-heading",
            ),
            html.Div(
                [
                    html.Div(
                        [
                            _topics(view, person),
                            by_machine_card(view, _name(view), measure_of(person.topics)),
                        ]
                    ),
                    html.Div([coaching_card(view.data, _name(view), person_days), _sign_off(view)]),
                ],
                className="case-page",
            ),
            *_folded(view, sessions),
            paper_card(report_button("This page", "person", {"technician": _name(view)})),
            html.P(PURPOSE, className="muted hint purpose"),
        ]
    )


def _chooser(view: View, known: list[str]) -> html.Details:
    return html.Details(
        [
            html.Summary("Another person", className="button"),
            html.Div(
                select(
                    "technician",
                    "Technician",
                    [(name, name) for name in known],
                    _name(view) if _name(view) in known else None,
                    empty="choose",
                ),
                className="filters",
            ),
        ],
        open=_name(view) not in known,
        className="case-filters",
    )


def person_log(data: CrewData, technician: str) -> list[Any]:
    """Return a person's present coaching log, by the name as shown."""
    rows = visible_rows(data.people, "person_days", data.result("result_person_days"))
    return coaching_log(data, technician, rows[rows["technician"] == technician])


def sessions_of(view: View) -> list[tuple[str, str]]:
    """Return the ISO day and the topic of each session with the person in the address."""
    notes = view.data.coaching_notes(_name(view))
    return [(str(row["held_on"]), str(row["topic"])) for row in notes.to_dict("records")]


def nothing_said(view: View, technician: str) -> html.Div:
    """Say that no pattern stands out in somebody's work, or that it cannot be told and why."""
    if has_figures(view, technician):
        return notice(NOTHING_STANDS_OUT, name="good")
    return notice(why_no_figures(view, technician))


def has_figures(view: View, technician: str) -> bool:
    """Whether anything can be told of somebody's work."""
    return bool(_effects_of(view, technician)["effect"].notna().any())


def why_no_figures(view: View, technician: str) -> str:
    """Say why it cannot be told whether a pattern stands out in somebody's work."""
    notes = [str(note) for note in _effects_of(view, technician)["note"].dropna().unique()]
    why = document(view).get("refusal") or (
        f"{'; '.join(notes)}." if notes else "there are no figures of this person yet."
    )
    return f"Cannot tell whether anything stands out: {why}"


def _effects_of(view: View, technician: str) -> pd.DataFrame:
    effects = rows_of(view, "people")
    return effects[(effects["who"] == "technician") & (effects["name"] == technician)]


def _topics(view: View, person: PersonTopics) -> html.Section:
    title = "What to work on"
    if not person.topics:
        return card(nothing_said(view, person.technician), title=title)
    return card(
        topic_list(person),
        title=title,
    )


def _sign_off(view: View) -> html.Section | None:
    attempts = _rows_of_person(view, "sign_offs").sort_values("attempt")
    if attempts.empty:
        return None
    latest = attempts.iloc[-1]
    return card(
        html.Div(
            [
                verdict_tag(str(latest["verdict"]), int(latest["more"])),
                html.Span(
                    f"attempt {int(latest['attempt'])}, "
                    f"{count_text(int(latest['splices']), 'practice splice')}",
                    className="muted",
                ),
            ],
            className="row",
        ),
        title="Sign-off",
    )


def _folded(view: View, sessions: list[tuple[str, str]]) -> list[Any]:
    titles = {
        "splices": "The splices behind it",
        "attempts": "What stops their splices, clamp or holder, hurried work",
        "days": "Day by day" + (", before and after each session" if sessions else ""),
        "evenness": "Evenness of cleave angles",
        "angles": "Cleave angles over time",
        "figures": "Figures and splicers used",
        "practice": "Practice and sign-off",
    }
    if signatures_card(view) is None:
        del titles["splices"]
    if _rows_of_person(view, "sign_offs").empty:
        del titles["practice"]
    return [folded(title, "person", part, view.query) for part, title in titles.items()]


def _spreads(view: View) -> dict[Hashable, Row]:
    rows = _rows_of_person(view, "consistency").to_dict("records")
    return {row["measure"]: row for row in rows}


def _day_by_day(view: View) -> list[Any]:
    return _days_and_sessions(view, tuple(sessions_of(view)))


@kept_with_results
def _days_and_sessions(view: View, sessions: tuple[tuple[str, str], ...]) -> list[Any]:
    by_day = csv_link("/person", "days", view.query)
    drawn = {
        measure: days_with_sessions(days(view), sessions, measure, scheme=view.scheme)
        for measure in ("angle", "loss")
    }
    hint = "Each dot is a day's mean after taking out what the splicers do."
    return [
        chart(picture.title or measure, picture, csv=by_day, hint=hint, legend=False)
        for measure, picture in drawn.items()
    ]


def _evenness(view: View) -> list[Any]:
    spreads = _spreads(view)
    crew_sd = float(spreads["angle"]["crew_sd"]) if "angle" in spreads else None
    return [
        chart(
            "How far single angles stray within a day",
            spread_days(days(view), crew_sd, scheme=view.scheme),
            csv=csv_link("/person", "days", view.query),
            hint="Days between the lines are as even as others' on the same splicers.",
        )
    ]


def _angles_over_time(view: View) -> list[Any]:
    return [
        chart(
            "Cleave angles against what earlier days let expect",
            angles_of(view, "technician", _name(view)),
            csv=csv_link("/person", "angles", view.query),
            hint="Each dot is a day's angle over the one that earlier days of the same hands, "
            "cleavers and blades let expect. Days of a dull blade are left out.",
        )
    ]


def _facts(view: View) -> html.Section:
    person_days, spreads = days(view), _spreads(view)
    effects = {row["measure"]: row for row in _rows_of_person(view, "people").to_dict("records")}
    made = count_text(int(person_days["splices"].sum()), "splice")
    return html.Section(
        facts(
            [
                ("Splices", f"{made} on {count_text(len(person_days), 'day')}"),
                ("Loss against the median colleague", effect_cell(effects.get("loss"))),
                ("Cleave angle against the median colleague", effect_cell(effects.get("angle"))),
                (
                    "Odds that a place is not right first time, against the median colleague",
                    effect_cell(effects.get("first_time")),
                ),
                (
                    "Odds of an error against the median colleague",
                    effect_cell(effects.get("errors")),
                ),
                ("Angle spread against others'", ratio_cell(spreads.get("angle"))),
                ("Loss spread against others'", ratio_cell(spreads.get("loss"))),
            ]
        ),
        className="card",
    )


def _machines(view: View) -> Any:
    rows = _rows_of_person(view, "shared_work").sort_values("splicer")
    return card(
        html.Ul(
            [
                html.Li(
                    [
                        dcc.Link(row["splicer"], href=href("/splicer", splicer=row["splicer"])),
                        html.Span(
                            f"{count_text(int(row['splices']), 'splice')} on "
                            f"{count_text(int(row['days']), 'day')}",
                            className="muted",
                        ),
                    ],
                    className="row",
                )
                for row in rows.to_dict("records")
            ],
            className="due-list",
        ),
        title="Splicers used",
    )


def _practice(view: View) -> Any:
    attempts = _rows_of_person(view, "sign_offs").sort_values("attempt")
    if attempts.empty:
        return None
    lines = []
    for row in attempts.to_dict("records"):
        measures = json.loads(row["measures"])
        lines.append(
            html.Li(
                [
                    html.Div(
                        [
                            html.Strong(f"Attempt {int(row['attempt'])}"),
                            verdict_tag(str(row["verdict"]), int(row["more"])),
                        ],
                        className="row",
                    ),
                    html.Ul(
                        [
                            html.Li(
                                f"{MEASURES[m['measure']]}: {m['bad']} bad of {m['splices']}, "
                                f"{ANSWERS[m['answer']]} (good up to "
                                f"{percent_text(m['good_share'])}, poor from "
                                f"{percent_text(m['poor_share'])})."
                            )
                            for m in measures
                        ]
                    ),
                ]
            )
        )
    return card(
        html.Ul(lines, className="finding-list"),
        html.H3("What the test promises"),
        _promises(document(view).get("promises", [])),
        html.P(
            "Exact for splices that do not depend on each other. Whoever tries again has another "
            "chance to pass by luck; a trainer's eye comes first.",
            className="muted hint",
        ),
        title="Practice and sign-off",
    )


def _promises(rows: list[dict[str, Any]]) -> html.Table:
    return html.Table(
        [
            html.Thead(
                html.Tr(
                    [
                        html.Th(text, scope="col")
                        for text in ("Measure", "Truly bad", "Passes", "Splices")
                    ]
                )
            ),
            html.Tbody(
                [
                    html.Tr(
                        [
                            html.Th(MEASURES[row["measure"]], scope="row"),
                            html.Td(percent_text(row["share"], 1)),
                            html.Td(percent_text(row["pass"], 0)),
                            html.Td(f"{row['splices']:.0f}"),
                        ]
                    )
                    for row in rows
                ]
            ),
        ],
        className="plain-table",
    )


def _attempts(view: View) -> list[Any]:
    name = _name(view)
    shares = rows_of(view, "error_shares")
    own = shares[(shares["subject_type"] == "technician") & (shares["subject"] == name)]
    return [
        stops_card(view, own, "technician", name, "/person"),
        holding_card(view, name),
        haste_card(view, name),
    ]


FOLDED: dict[str, Callable[[View], list[Any]]] = {
    "attempts": kept_with_results(_attempts),
    "splices": lambda view: [signatures_card(view)],
    "days": _day_by_day,
    "evenness": kept_with_results(_evenness),
    "angles": kept_with_results(_angles_over_time),
    "figures": kept_with_results(lambda view: [_facts(view), _machines(view)]),
    "practice": kept_with_results(lambda view: [_practice(view)]),
}
"""Parts of the page that are made when somebody opens them."""
