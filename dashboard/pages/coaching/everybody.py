"""The folded rest of the Coaching page: all people, all machines, shared work, practice."""

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.figures.cleave_angles import angle_days
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.prep import (
    ITEMS,
    SHARE,
    people_effects,
    share_against_volume,
    shared_work,
)
from arcdrift.wording import count_text
from dashboard.components import (
    View,
    card,
    chart,
    csv_button,
    csv_link,
    folded,
    notice,
    select,
    share_table,
)
from dashboard.kept_parts import kept_with_events, kept_with_results
from dashboard.pages.coaching.people_rows import (
    Row,
    document,
    effect_cell,
    machine_cell,
    name_with_link,
    person_href,
    ratio_cell,
    rows_of,
    verdict_tag,
)
from dashboard.subjects import FORMER_MEASURES


def chosen_share(view: View) -> str:
    """Return which share the picture of everybody shows."""
    asked = view.query.get("share", "")
    requested = FORMER_MEASURES.get(asked, asked)
    return requested if requested in SHARE else "first_time"


def volume_picture(view: View) -> Picture:
    """Draw each person's share against how many splices they made."""
    measure = chosen_share(view)
    known = (document(view).get("crew_shares") or {}).get(measure)
    shares = rows_of(view, "shares")
    if known is None or shares.empty:
        return nothing(f"{SHARE[measure]}: none on record in this period.", shares)
    return share_against_volume(
        shares, measure, typical=known["share"], spread=known["overdispersion"], scheme=view.scheme
    )


def everybody_folded(view: View) -> html.Div:
    """Return the rest of the page, one tap away; open where its filter was used."""
    practice = not rows_of(view, "sign_offs").empty
    parts = []
    for part, title in TITLES.items():
        if part == "volume" and "share" in view.query:
            content = html.Div(FOLDED[part](view), className="folded")
            opened = [html.Summary(title), content]
            parts.append(html.Details(opened, className="card fold", open=True))
        elif practice or part != "practice":
            parts.append(folded(title, "coaching", part, view.query))
    return html.Div(parts)


TITLES = {
    "people": "Everybody, by name",
    "volume": "Share against how much was made",
    "shared-work": "Who shared splicers with whom",
    "machines": "Splicers and cleavers, apart from people",
    "practice": "Practice and sign-off",
}


def _shared(view: View) -> list[Any]:
    return [
        chart(
            "Days of each person on each splicer",
            shared_work(rows_of(view, "shared_work"), scheme=view.scheme),
            csv=csv_link("/coaching", "shared-work", view.query),
            hint="People are compared through the splicers they share.",
            legend=False,
        )
    ]


def _effects(view: View) -> html.Section:
    people = rows_of(view, "people")
    rows = people[(people["who"] == "technician") & (people["measure"] == "loss")]
    return chart(
        "Loss of each person, apart from their splicers",
        people_effects(rows, "loss", margin=view.data.crew.prep.margin, scheme=view.scheme),
        csv=csv_link("/coaching", "people", view.query),
        hint="Dot: against the median colleague, drawn toward the crew's average. Bar: 95 % "
        "interval.",
        legend=False,
    )


def _volume(view: View) -> list[Any]:
    return [
        html.Div(
            select(
                "share",
                "Share of",
                [(key, text.lower()) for key, text in SHARE.items()],
                chosen_share(view),
                default="first_time",
            ),
            className="filters",
        ),
        chart(
            f"Few {ITEMS[chosen_share(view)]} prove little",
            volume_picture(view),
            csv=csv_link("/coaching", "volume", view.query),
            hint="The fewer, the farther a share strays by chance; only what lies outside "
            "the lines says anything.",
        ),
    ]


def _people(view: View) -> html.Section:
    people = rows_of(view, "people")
    people = people[people["who"] == "technician"]
    spread = rows_of(view, "consistency")
    by_measure = {
        str(measure): {row["name"]: row for row in part.to_dict("records")}
        for measure, part in people.groupby("measure")
    }
    evenness = (
        {row["technician"]: row for row in spread[spread["measure"] == "angle"].to_dict("records")}
        if len(spread)
        else {}
    )
    work = rows_of(view, "shared_work")
    splices = work.groupby("technician")["splices"].sum() if len(work) else pd.Series(dtype=float)
    if splices.empty:
        return card(notice("No splice names its technician yet."), title="People")
    heads = (
        ("Name", ""), ("Splices", ""), ("Loss", ""), ("Cleave angle", "wide-only"),
        ("Angle spread", "wide-only"), ("Odds: not right first time", "wide-only"),
        ("Odds: error", "wide-only"),
    )  # fmt: skip
    body = [
        _person_row(
            name,
            int(splices[name]),
            {measure: rows[name] for measure, rows in by_measure.items() if name in rows},
            evenness.get(name),
        )
        for name in sorted(map(str, splices.index))
    ]
    return card(
        html.P(
            "Against the median colleague on the same splicers, programs, sites and air, with 95 % "
            "intervals. Spread: cleave angles within a day, against others' on the same splicers.",
            className="muted hint",
        ),
        share_table(heads, body),
        title="People",
        aside=csv_button("/coaching", "people", view.query, "people"),
    )


def _person_row(name: str, splices: int, effects: Mapping[str, Row], spread: Row | None) -> html.Tr:
    return html.Tr(
        [
            html.Th(dcc.Link(name, href=person_href(name)), scope="row"),
            html.Td(f"{splices:,}"),
            html.Td(effect_cell(effects.get("loss"))),
            html.Td(effect_cell(effects.get("angle")), className="wide-only"),
            html.Td(ratio_cell(spread), className="wide-only"),
            html.Td(effect_cell(effects.get("first_time")), className="wide-only"),
            html.Td(effect_cell(effects.get("errors")), className="wide-only"),
        ]
    )


def machines_card(view: View) -> html.Section:
    """Return the figures of splicers and cleavers, whoever used them."""
    people = rows_of(view, "people")
    rows = people[people["who"].isin(["splicer", "cleaver"])]
    title = "Machines"
    if rows.empty:
        why = document(view).get("refusal") or "no two of them were used by the same people yet."
        return card(
            notice(f"Splicers and cleavers cannot be separated from people: {why}"), title=title
        )
    together = bool(document(view).get("not_told_apart"))
    body = []
    for (kind, name), part in rows.groupby(["who", "name"]):
        effects = {row["measure"]: row for row in part.to_dict("records")}
        body.append(
            html.Tr(
                [
                    html.Th(name_with_link(str(name), str(kind)), scope="row"),
                    html.Td(effect_cell(effects.get("loss"))),
                    html.Td(machine_cell(effects.get("angle"))),
                    html.Td(machine_cell(effects.get("uneven")), className="wide-only"),
                ]
            )
        )
    heads = (
        ("Splicer with its cleaver" if together else "Machine", ""), ("Loss", ""),
        ("Cleave angle", ""), ("Right over left", "wide-only"),
    )  # fmt: skip
    hint = "In whoever's hands: the same work, against the median of the other splicers."
    if together:
        hint += " Splicer and cleaver cannot be separated, as neither was used without the other."
    return card(
        html.P(hint, className="muted hint"), share_table(heads, body, "wraps"), title=title
    )


def angles_of(view: View, kind: str, name: str) -> Picture:
    """Draw the cleave angles of a machine or person over time."""
    days, rises = (
        rows[(rows["subject_type"] == kind) & (rows["subject"] == name)]
        for rows in (rows_of(view, "angle_days"), rows_of(view, "angle_shifts"))
    )
    return angle_days(days, rises, scheme=view.scheme)


def risen_cards(view: View) -> list[html.Section]:
    """Draw the cleave angles of each machine whose angles rose."""
    rises = rows_of(view, "angle_shifts")
    machines = rises[rises["subject_type"] != "technician"]
    return [
        chart(
            f"Cleave angles of {name} over time",
            angles_of(view, str(kind), str(name)),
            csv=csv_link("/coaching", "angles", view.query),
            hint="Each dot is a day's angle over the one that earlier days of the same cleaver "
            "and hands let expect.",
        )
        for kind, name in machines[["subject_type", "subject"]].drop_duplicates().to_numpy()
    ]


def _practice(view: View) -> Any:
    rows = rows_of(view, "sign_offs")
    if rows.empty:
        return None
    latest = rows.sort_values("attempt").groupby("technician", as_index=False).last()
    return card(
        html.P("Practice splices are in no other figure.", className="muted hint"),
        html.Ul(
            [
                html.Li(
                    [
                        dcc.Link(row["technician"], href=person_href(row["technician"])),
                        verdict_tag(str(row["verdict"]), int(row["more"])),
                        html.Span(
                            f"attempt {int(row['attempt'])}, "
                            f"{count_text(int(row['splices']), 'splice')}",
                            className="muted",
                        ),
                    ],
                    className="row",
                )
                for row in latest.to_dict("records")
            ],
            className="due-list",
        ),
        title="Practice",
        aside=csv_button("/coaching", "practice", view.query, "practice"),
    )


FOLDED: dict[str, Callable[[View], list[Any]]] = {
    "people": kept_with_results(lambda view: [_people(view), _effects(view)]),
    "volume": kept_with_results(_volume),
    "shared-work": kept_with_results(_shared),
    "machines": kept_with_events(lambda view: [machines_card(view), *risen_cards(view)]),
    "practice": kept_with_results(lambda view: [_practice(view)]),
}
"""Parts of the page that are made when somebody opens them."""
