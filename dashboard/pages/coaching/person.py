"""The page of one person: effects, signatures, days, coaching, practice and sign-off."""

import json
from collections.abc import Callable, Hashable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.people.technician_report import visible_rows
from arcdrift.figures.prep import level_days, spread_days
from arcdrift.people import HIDDEN, PURPOSE
from arcdrift.wording import count_text
from dashboard.components import (
    View,
    card,
    chart,
    csv_link,
    facts,
    heading,
    notice,
    select,
)
from dashboard.pages.coaching import signatures
from dashboard.pages.coaching.coaching import (
    angles_of,
    document,
    effect_cell,
    ratio_cell,
    rows_of,
    verdict_tag,
)
from dashboard.pages.coaching.coaching_card import coaching_card, coaching_log
from dashboard.pages.coaching.signatures import signatures_card
from dashboard.reading.data import CrewData
from dashboard.url_query import href, shown

Row = Mapping[Hashable, Any]
MEASURES = {"loss": "Loss", "angle": "Cleave angle", "redo": "Redone"}
ANSWERS = {"good": "good enough", "poor": "not good enough", "open": "open"}


def _name(view: View) -> str:
    """Return the name in the address, as shown."""
    return view.query.get("technician", "")


def _rows_of_person(view: View, table: str) -> pd.DataFrame:
    rows = rows_of(view, table)
    column = "name" if table == "people" else "technician"
    if rows.empty or column not in rows.columns:
        return rows.iloc[:0]
    rows = rows[rows[column] == _name(view)]
    return rows[rows["who"] == "technician"] if table == "people" else rows


def days(view: View) -> pd.DataFrame:
    """Return the person's days."""
    return _rows_of_person(view, "person_days")


def angles(view: View) -> pd.DataFrame:
    """Return the days of the chart of cleave angles."""
    return angles_of(view, "technician", _name(view)).table


TABLES: dict[str, Callable[[View], pd.DataFrame]] = {
    "days": days, "angles": angles, **signatures.TABLES
}  # fmt: skip


def render(view: View) -> html.Div:
    """Return the page."""
    title = heading(
        shown(_name(view)) or "One person", "What these hands do well, and what to practice."
    )
    back = dcc.Link("← Coaching", href="/coaching", className="back")
    if not view.data.people.any_pages:
        return html.Div([back, title, notice(HIDDEN)])
    known = sorted(set(rows_of(view, "person_days").get("technician", [])))
    chooser = html.Div(
        [
            select(
                "technician", "Technician", [(name, name) for name in known],
                _name(view) if _name(view) in known else None, empty="choose",
            )
        ],
        className="filters",
    )  # fmt: skip
    if _name(view) not in known:
        sentence = (
            f"Nobody named {shown(_name(view))} is on record." if _name(view) else "Choose a name."
        )
        return html.Div([back, title, chooser, notice(sentence)])
    person_days = days(view)
    spreads = {
        row["measure"]: row for row in _rows_of_person(view, "consistency").to_dict("records")
    }
    crew_sd = float(spreads["angle"]["crew_sd"]) if "angle" in spreads else None
    return html.Div(
        [
            back,
            title,
            chooser,
            notice(PURPOSE, name="purpose"),
            _facts(view, person_days, spreads),
            signatures_card(view),
            chart(
                "Day by day, apart from the splicers",
                level_days(person_days, scheme=view.scheme),
                csv=csv_link("/person", "days", view.query),
                hint="Each dot is a day's mean after taking out what the splicers do.",
            ),
            chart(
                "Evenness of cleave angles",
                spread_days(person_days, crew_sd, scheme=view.scheme),
                csv=csv_link("/person", "days", view.query),
                hint="How far single angles stray from the day's typical one. Days between the "
                "lines are as even as others' on the same splicers.",
            ),
            chart(
                "Cleave angles over time",
                angles_of(view, "technician", _name(view)),
                csv=csv_link("/person", "angles", view.query),
                hint="Each dot is a day's angle over the one that earlier days of the same hands, "
                "cleavers and blades let expect. Days of a dull blade are left out.",
            ),
            _machines(view),
            coaching_card(view.data, _name(view), person_days),
            _practice(view),
        ]
    )


def person_log(data: CrewData, technician: str) -> list[Any]:
    """Return a person's present coaching log, by the name as shown."""
    rows = visible_rows(data.people, "person_days", data.result("result_person_days"))
    return coaching_log(data, technician, rows[rows["technician"] == technician])


def _facts(view: View, person_days: pd.DataFrame, spreads: Mapping[Hashable, Row]) -> html.Section:
    effects = {row["measure"]: row for row in _rows_of_person(view, "people").to_dict("records")}
    return html.Section(
        facts(
            [
                ("Splices", f"{int(person_days['splices'].sum()):,} on {len(person_days)} days"),
                ("Loss against the crew", effect_cell(effects.get("loss"))),
                ("Cleave angle against the crew", effect_cell(effects.get("angle"))),
                ("Odds of a redo against the crew", effect_cell(effects.get("redo"))),
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
                                f"{ANSWERS[m['answer']]} (good up to {m['good_share']:.0%}, poor "
                                f"from {m['poor_share']:.0%})."
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
                            html.Td(f"{row['share']:.1%}"),
                            html.Td(f"{row['pass']:.0%}"),
                            html.Td(f"{row['splices']:.0f}"),
                        ]
                    )
                    for row in rows
                ]
            ),
        ],
        className="plain-table",
    )
