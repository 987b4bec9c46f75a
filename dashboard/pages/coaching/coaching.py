"""The Coaching page: effects of people and machines, funnel, shared work and signatures."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.maintenance.blade_left import (
    cleaves_left_text,
    due_text,
    is_last_position,
    position_text,
)
from arcdrift.analysis.people.signatures import KINDS
from arcdrift.analysis.people.technician_report import (
    nothing_stands_out,
    visible_document,
    visible_rows,
)
from arcdrift.figures.cleave_angles import angle_days
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.prep import SHARE, funnel, people_effects, shared_work
from arcdrift.people import HIDDEN, PURPOSE
from dashboard.components import (
    View,
    card,
    chart,
    csv_button,
    csv_link,
    heading,
    notice,
    select,
    share_table,
    tag,
)
from dashboard.url_query import href

Row = Mapping[Hashable, Any]
VERDICTS = {
    "ready": ("✓", "ready"),
    "not yet": ("!", "not yet"),
    "keep practicing": ("…", "keep practicing"),
    "trainer decides": ("?", "the trainer decides"),
}


def rows_of(view: View, name: str) -> pd.DataFrame:
    """Return the rows of a result table on preparation that may be seen."""
    return visible_rows(view.data.people, name, view.data.result(f"result_{name}"))


def document(view: View) -> dict[str, Any]:
    """Return what the last review stored about preparation, as it may be seen."""
    return visible_document(view.data.people, view.data.prep_document())


def _measure(view: View) -> str:
    requested = view.query.get("share", "redo")
    return requested if requested in SHARE else "redo"


def _funnel(view: View) -> Picture:
    measure = _measure(view)
    known = (document(view).get("crew_shares") or {}).get(measure)
    shares = rows_of(view, "shares")
    if known is None or shares.empty:
        return nothing(f"{SHARE[measure]}: none on record in this period.", shares)
    return funnel(
        shares, measure, typical=known["share"], spread=known["overdispersion"], scheme=view.scheme
    )


def _effects(view: View, kind: str, measure: str) -> Picture:
    people = rows_of(view, "people")
    rows = people[(people["who"] == kind) & (people["measure"] == measure)]
    return people_effects(rows, measure, margin=view.data.crew.prep.margin, scheme=view.scheme)


TABLES = {
    "people": lambda view: rows_of(view, "people"),
    "evenness": lambda view: rows_of(view, "consistency"),
    "funnel": lambda view: _funnel(view).table,
    "shared-work": lambda view: rows_of(view, "shared_work"),
    "standing-out": lambda view: rows_of(view, "signatures"),
    "practice": lambda view: rows_of(view, "sign_offs"),
    "blades": lambda view: rows_of(view, "blades"),
    "angles": lambda view: rows_of(view, "angle_days"),
}


def render(view: View) -> html.Div:
    """Return the page."""
    report = document(view)
    title = heading(
        "Coaching", "Whose hands, whose splicer, and what is worth looking at together?"
    )
    head = [title, notice(PURPOSE, name="purpose")]
    if not view.data.people.any_pages:
        return html.Div([*head, notice(HIDDEN), _machines(view), *_risen(view), _blades(view)])
    return html.Div(
        [
            *head,
            notice(report["refusal"], name="caveat") if report.get("refusal") else None,
            _comparability(report),
            _standing_out(view),
            _people(view),
            chart(
                "Loss of each person, apart from their splicers",
                _effects(view, "technician", "loss"),
                csv=csv_link("/coaching", "people", view.query),
                hint="Dot: estimate, drawn toward the crew's average. Bar: 95 % interval.",
                legend=False,
            ),
            html.Div(
                [
                    select(
                        "share",
                        "Share of",
                        [(key, text.lower()) for key, text in SHARE.items()],
                        _measure(view),
                        default="redo",
                    )
                ],
                className="filters",
            ),
            chart(
                "The funnel: few splices prove little",
                _funnel(view),
                csv=csv_link("/coaching", "funnel", view.query),
                hint="The fewer splices, the farther a share strays by chance; only what lies "
                "outside the lines says anything.",
            ),
            chart(
                "Who shared splicers with whom",
                shared_work(rows_of(view, "shared_work"), scheme=view.scheme),
                csv=csv_link("/coaching", "shared-work", view.query),
                hint="Days of work. People are compared through the splicers they share.",
                legend=False,
            ),
            _machines(view),
            _practice(view),
            *_risen(view),
            _blades(view),
        ]
    )


def _comparability(report: dict[str, Any]) -> Any:
    parts: list[Any] = [html.P(text) for text in report.get("not_told_apart", [])]
    if report.get("sets", 1) > 1:
        parts += [
            html.P(
                f"People and splicers fall into {report['sets']} sets that no shared work "
                "connects. Within a set people can be compared, across sets they cannot: a whole "
                "set may only have the better splicers. The shortest stay that would tell:"
            ),
            html.Ul([html.Li(swap["reason"]) for swap in report.get("swaps", [])]),
        ]
    return html.Div(parts, className="notice caveat", role="note") if parts else None


def _standing_out(view: View) -> html.Section:
    """Return the card of people and machines that stand out, by name."""
    people = rows_of(view, "people")
    threshold = view.data.crew.prep.sure
    lines: list[tuple[str, str, str, str]] = [
        (
            str(row["name"]), str(row["who"]), "Loss above the crew's",
            f"{row['effect']:+z.0%} loss against the crew ({row['low']:+z.0%} to "
            f"{row['high']:+z.0%}, {int(row['splices']):,} splices).",
        )
        for row in people[(people["measure"] == "loss") & (people["sure"] >= threshold)].to_dict(
            "records"
        )
    ]  # fmt: skip
    lines += [
        (str(row["subject"]), str(row["subject_type"]), KINDS[str(row["kind"])], str(row["words"]))
        for row in rows_of(view, "signatures").to_dict("records")
    ]
    if not lines:
        sentence, told = nothing_stands_out(document(view), people)
        return card(
            notice(sentence, name="good" if told else "caveat"),
            title="What stands out, and why",
        )
    return card(
        html.P("Hints, not verdicts: each says what to look at together.", className="muted hint"),
        html.Ul(
            [
                html.Li(
                    [
                        html.Div(
                            [name_with_link(name, grouping), html.Strong(kind)], className="row"
                        ),
                        html.Div(text),
                    ]
                )
                for name, grouping, kind, text in sorted(lines)
            ],
            className="finding-list",
        ),
        title="What stands out, and why",
        aside=_csv(view, "standing-out", "what stands out"),
    )


def name_with_link(name: str, kind: str) -> Any:
    """Return a name with a link to its page, where it has one."""
    if kind == "technician":
        return dcc.Link(name, href=href("/person", technician=name))
    if kind == "splicer":
        return dcc.Link(name, href=href("/splicer", splicer=name))
    return html.Span(f"Cleaver {name}")


def _csv(view: View, table: str, text: str) -> html.A:
    return csv_button("/coaching", table, view.query, text)


def effect_cell(row: Row | None) -> list[Any]:
    """Return an effect with its interval, or why there is none."""
    if row is None:
        return [html.Span("not told", className="muted")]
    if row["note"] and not pd.isna(row["note"]):
        return [html.Span(str(row["note"]), className="muted")]
    return [
        html.Span(f"{row['effect']:+z.0%}", className="share"),
        html.Span(f"{row['low']:+z.0%} to {row['high']:+z.0%}", className="muted aside"),
    ]


def ratio_cell(row: Row | None) -> list[Any]:
    """Return a spread over the crew's with its interval, or why there is none."""
    if row is None:
        return [html.Span("not told", className="muted")]
    if row["note"] and not pd.isna(row["note"]):
        return [html.Span(str(row["note"]), className="muted")]
    return [
        html.Span(f"{row['ratio']:.2f}×", className="share"),
        html.Span(f"{row['low']:.2f} to {row['high']:.2f}", className="muted aside"),
    ]


def _people(view: View) -> html.Section:
    people = rows_of(view, "people")
    people = people[people["who"] == "technician"]
    spread = rows_of(view, "consistency")
    by_measure = {
        measure: {row["name"]: row for row in part.to_dict("records")}
        for measure, part in people.groupby("measure")
    }
    evenness = {
        row["technician"]: row for row in spread[spread["measure"] == "angle"].to_dict("records")
    } if len(spread) else {}  # fmt: skip
    work = rows_of(view, "shared_work")
    splices = work.groupby("technician")["splices"].sum() if len(work) else pd.Series(dtype=float)
    heads = (
        ("Name", ""), ("Splices", ""), ("Loss", ""), ("Cleave angle", "wide-only"),
        ("Angle spread", "wide-only"), ("Redo odds", "wide-only"),
    )  # fmt: skip
    if splices.empty:
        return card(notice("No splice names its technician yet."), title="People")
    body = [
        _person_row(
            name,
            int(splices[name]),
            {str(m): rows[name] for m, rows in by_measure.items() if name in rows},
            evenness.get(name),
        )
        for name in sorted(map(str, splices.index))
    ]
    return card(
        html.P(
            "Against the crew's average on the same splicers, programs, sites and air, with 95 % "
            "intervals. Spread: cleave angles within a day, against others' on the same splicers.",
            className="muted hint",
        ),
        share_table(heads, body),
        title="People",
        aside=_csv(view, "people", "people"),
    )


def _person_row(name: str, splices: int, effects: Mapping[str, Row], spread: Row | None) -> html.Tr:
    return html.Tr(
        [
            html.Th(dcc.Link(name, href=href("/person", technician=name)), scope="row"),
            html.Td(f"{splices:,}"),
            html.Td(effect_cell(effects.get("loss"))),
            html.Td(effect_cell(effects.get("angle")), className="wide-only"),
            html.Td(ratio_cell(spread), className="wide-only"),
            html.Td(effect_cell(effects.get("redo")), className="wide-only"),
        ]
    )


def _machines(view: View) -> html.Section:
    people = rows_of(view, "people")
    rows = people[people["who"].isin(["splicer", "cleaver"])]
    if rows.empty:
        return card(
            notice("Splicers and cleavers cannot be told apart from people yet."), title="Machines"
        )
    body = []
    for (kind, name), part in rows.groupby(["who", "name"]):
        effects = {row["measure"]: row for row in part.to_dict("records")}
        body.append(
            html.Tr(
                [
                    html.Th(name_with_link(str(name), str(kind)), scope="row"),
                    html.Td(effect_cell(effects.get("loss"))),
                    html.Td(effect_cell(effects.get("angle"))),
                    html.Td(effect_cell(effects.get("uneven")), className="wide-only"),
                ]
            )
        )
    heads = (("Machine", ""), ("Loss", ""), ("Cleave angle", ""), ("Right over left", "wide-only"))
    return card(
        html.P("In whoever's hands: the same work, apart from the person.", className="muted hint"),
        share_table(heads, body, "wraps"),
        title="Machines",
    )


def angles_of(view: View, kind: str, name: str) -> Picture:
    """Draw the cleave angles of a machine or person over time."""
    days, rises = (
        rows[(rows["subject_type"] == kind) & (rows["subject"] == name)]
        for rows in (rows_of(view, "angle_days"), rows_of(view, "angle_shifts"))
    )
    return angle_days(days, rises, scheme=view.scheme)


def _risen(view: View) -> list[html.Section]:
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


def verdict_tag(verdict: str, more: int) -> Any:
    """Return the tag of a sign-off's verdict."""
    glyph, text = VERDICTS[verdict]
    if verdict == "keep practicing":
        text = f"{text}, about {more} more splices"
    return tag(glyph, text, "plain")


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
                        dcc.Link(
                            row["technician"], href=href("/person", technician=row["technician"])
                        ),
                        verdict_tag(str(row["verdict"]), int(row["more"])),
                        html.Span(
                            f"attempt {int(row['attempt'])}, {int(row['splices'])} splices",
                            className="muted",
                        ),
                    ],
                    className="row",
                )
                for row in latest.to_dict("records")
            ],
            className="due-list",
        ),
        title="Practice and sign-off",
        aside=_csv(view, "practice", "practice"),
    )


def _blades(view: View) -> Any:
    rows = rows_of(view, "blades")
    if rows.empty:
        return None
    blade = view.data.crew.blade
    body = [
        html.Tr(
            [
                html.Th(row["cleaver"], scope="row"),
                html.Td(row["splicers"], className="wide-only"),
                html.Td(position_text(row["position"], blade) if row["position"] else "not logged"),
                html.Td(
                    "no turn on record"
                    if row["cleaves"] is None
                    else cleaves_left_text(row["cleaves"], blade)
                ),
                html.Td(
                    due_text(
                        row["days_left"],
                        last=is_last_position(row["position"], row["positions_used"], blade),
                    )
                ),
            ]
        )
        for row in rows.astype(object).where(rows.notna(), None).to_dict("records")
    ]
    heads = (
        ("Cleaver", ""), ("Used with", "wide-only"), ("Position", ""), ("Left on it", ""),
        ("Next", ""),
    )  # fmt: skip
    return card(
        html.P(
            "Two cleaves a splice, from the splice log and the service log. How many a position "
            "is good for is set in crew.toml; the default is common practice.",
            className="muted hint",
        ),
        share_table(heads, body, "wraps"),
        title="Blades",
        aside=_csv(view, "blades", "blades"),
    )
