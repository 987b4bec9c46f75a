"""Splicer: recalibrate or keep working, and what its arc has done so far."""

import json
from typing import Any

import dash_mantine_components as dmc
import pandas as pd
from dash import dcc, html

from arcdrift.analysis.advice import Advice
from arcdrift.analysis.arc import ArcModel
from arcdrift.errors import ArcdriftError
from arcdrift.figures.arc import arc_drift, arc_history, effects
from arcdrift.quantities import QUANTITIES
from dashboard import ids
from dashboard.pages.findings import label, of_splicer, still_open
from dashboard.pages.upkeep import electrodes_card, programs_card, start_list, wear_table
from dashboard.parts import (
    STATUS,
    VERDICT,
    View,
    card,
    chance,
    chart,
    csv_link,
    facts,
    heading,
    notice,
    period,
    select,
    severity_tag,
    shown_day,
    shown_time,
)
from dashboard.query import href, number

DEFAULT_PERIOD = "365"
RECENT_DAYS = 21
AIR = (
    ("temperature", "temperature_c", 1.0),
    ("pressure", "pressure_hpa", 1.0),
    ("humidity", "humidity_pct", 5.0),
)
PART_WORDS = {"air": "Air", "wear": "Electrode wear", "unexplained": "Unexplained"}


def _chosen(view: View) -> str:
    names = view.data.splicers()
    asked = view.query.get("splicer", "")
    return asked or (names[0] if names else "")


def points(view: View) -> pd.DataFrame:
    """Arc checks of the chosen splicer and period, with ``at`` in its local time."""
    splicer = _chosen(view)
    rows = view.data.result("result_arc_points", splicer=splicer)
    at = pd.to_datetime(rows["checked_at"], utc=True)
    zone = view.data.zone_of_splicer(splicer)
    rows = rows.assign(at=at.dt.tz_convert(zone).dt.tz_localize(None))
    first = view.first_day(DEFAULT_PERIOD)
    return rows[rows["at"] >= pd.Timestamp(first)] if first else rows


TABLES = {"arc-points": points}


def render(view: View) -> html.Div:
    """Return the page."""
    names = view.data.splicers()
    splicer = _chosen(view)
    chooser = select(
        "splicer",
        "Splicer",
        [(name, name) for name in names],
        splicer if splicer in names else None,
        default=names[0] if names else "",
    )
    if splicer not in names:
        words = f"No splicer is called {splicer}." if splicer else "No splicer is known yet."
        return html.Div([heading("Splicer", words), html.Div(chooser, className="filters")])
    known = view.data.crew.splicers.get(splicer)
    about = f"{known.model}, {known.home_site or 'no home site'}" if known else "not in crew.toml"
    unit = view.data.unit(splicer)
    rows, events = points(view), view.data.service(splicer)
    return html.Div(
        [
            html.Div([heading(splicer, about), chooser], className="heading-row"),
            _advice(view, splicer),
            _findings(view, splicer),
            html.Div(period(view, DEFAULT_PERIOD), className="filters"),
            chart(
                "Arc setting found by each check",
                arc_history(rows, events, unit=unit, scheme=view.scheme),
                csv=csv_link("/splicer", "arc-points", {**view.query, "splicer": splicer}),
                hint="What the checks stored, beside what that day's air and the electrodes' wear "
                "led one to expect.",
            ),
            chart(
                "Evidence of drift that air and wear do not explain",
                arc_drift(rows, events, scheme=view.scheme),
                csv=csv_link("/splicer", "arc-points", {**view.query, "splicer": splicer}),
                hint="Counted in ordinary swings from check to check; beyond a limit the change "
                "is hardly chance.",
            ),
            *electrodes_card(view, splicer),
            _model(view, splicer, unit),
            _recent_days(view, splicer),
            programs_card(view),
        ]
    )


def _advice(view: View, splicer: str) -> html.Section:
    typed = {key: number(view.query, key) for key, _, _ in AIR}
    out_of_range = [
        QUANTITIES[column].label
        for key, column, _ in AIR
        if (value := typed[key]) is not None
        and not QUANTITIES[column].low <= value <= QUANTITIES[column].high
    ]
    if out_of_range:
        body: list[Any] = [notice(f"{', '.join(out_of_range)}: no such air on earth. Check it.")]
        advice = None
    else:
        try:
            advice = view.data.advice(
                splicer,
                typed["temperature"],
                typed["pressure"],
                typed["humidity"],
                view.query.get("at-site"),
            )
            body = _advice_body(view, splicer, advice)
        except ArcdriftError as problem:
            advice, body = None, [notice(str(problem), title="Cannot tell")]
    return html.Section(
        [*body, _what_if(view, splicer, typed, advice)],
        className=f"card advice advice-{advice.verdict if advice else 'cannot-tell'}",
        **{"aria-label": "Advice"},
    )


def _advice_body(view: View, splicer: str, advice: Advice) -> list[Any]:
    glyph, words = VERDICT[advice.verdict]
    unit = view.data.unit(splicer)
    first, *rest = advice.reasons or (advice.basis_note,)
    numbers: list[tuple[str, Any]] = []
    if advice.required is not None:
        need = advice.required
        numbers.append(
            ("Setting the arc needs", _span(need["value"], need["low"], need["high"], need["unit"]))
        )
    if advice.setting is not None:
        numbers.append(("Setting stored", f"{advice.setting:g} {unit}"))
    if advice.tolerance is not None:
        explained = html.Span("off by more than this wants a recalibration", className="aside")
        numbers.append(("Tolerance", [f"{advice.tolerance:.1f} {unit}", explained]))
    if advice.probability is not None:
        numbers.append(("Chance of being off by more", chance(advice.probability)))
    numbers.append(
        (
            "Last passed check",
            shown_time(advice.last_check, view.data, splicer) if advice.last_check else "none",
        )
    )
    return [
        html.Div(
            [
                html.Span(glyph, className="verdict-glyph", **{"aria-hidden": "true"}),
                html.Span(words, className="verdict"),
            ],
            className="verdict-line",
            role="status",
        ),
        html.P(first, className="lead"),
        html.Ul([html.Li(reason) for reason in rest], className="reasons") if rest else None,
        facts(numbers),
        start_list(advice.start_of_day),
        html.P(_air_words(advice), className="air-line"),
        html.P(advice.basis_note, className="muted hint"),
        html.P(advice.worth["sentence"]) if advice.worth is not None else None,
        _breakdown(advice),
        html.Details(
            [
                html.Summary("Which programs this matters for"),
                html.Ul(
                    [
                        html.Li([html.Strong(note["program_class"]), f": {note['note']}"])
                        for note in advice.program_classes
                    ]
                ),
            ]
        )
        if advice.program_classes
        else None,
        html.Details(
            [
                html.Summary("Before you touch the splicer"),
                html.Ul([html.Li(words) for words in advice.cautions], className="cautions"),
            ],
            open=advice.verdict == "recalibrate",
        ),
    ]


def _span(value: float, low: float, high: float, unit: str) -> str:
    return f"{value:z.1f} {unit} (95 %: {low:z.1f} to {high:z.1f})"


def _air_words(advice: Advice) -> str:
    air = advice.air
    if air is None:
        return "Air now: no recent reading. Type it in below."
    said = [
        f"{air[column]:z.0f} {QUANTITIES[column].symbol}"
        for _, column, _ in AIR
        if air[column] is not None
    ]
    age = air["age_min"]
    return (
        f"Air now: {', '.join(said) or 'nothing known'}; {air['source']}"
        + (f", {age:.0f} min old" if age is not None else "")
        + "."
        + (f" {air['note']}" if air["note"] is not None else "")
    )


def _breakdown(advice: Advice) -> html.Div | None:
    if not advice.breakdown:
        return None
    return html.Div(
        [
            html.H3("Change since that check"),
            facts(
                [
                    (
                        PART_WORDS.get(part["part"], part["part"]),
                        f"{part['change']:+z.1f} {part['unit']} "
                        f"({part['low']:+z.1f} to {part['high']:+z.1f})",
                    )
                    for part in advice.breakdown
                ]
            ),
        ]
    )


def _what_if(
    view: View, splicer: str, typed: dict[str, float | None], advice: Advice | None
) -> html.Details:
    air = advice.air if advice is not None and advice.air is not None else {}
    inputs = []
    for key, column, step in AIR:
        quantity = QUANTITIES[column]
        seen = air.get(column)
        inputs.append(
            dmc.NumberInput(
                id=ids.filter_control(key),
                label=f"{quantity.label}, {quantity.symbol}",
                value="" if typed[key] is None else typed[key],
                placeholder="" if seen is None else f"{seen:z.0f}",
                step=step,
                debounce=600,
                size="sm",
                className="filter",
            )
        )
    sites = list(view.data.crew.sites)
    site = view.query.get("at-site")
    if len(sites) > 1:
        inputs.append(
            select(
                "at-site",
                "At another site",
                [(name, name) for name in sites],
                site if site in sites else None,
                empty="where it is now",
            )
        )
    anything = bool(site) or any(value is not None for value in typed.values())
    return html.Details(
        [
            html.Summary("What if the air were different?"),
            html.Div(inputs, className="filters"),
            dcc.Link(
                "Back to the newest readings",
                href=href("/splicer", splicer=splicer, period=view.query.get("period")),
            )
            if anything
            else html.P("Type what you measure; an empty field keeps the newest reading."),
        ],
        open=anything or advice is None or advice.air is None,
        className="what-if",
    )


def _findings(view: View, splicer: str) -> html.Section | None:
    mine = [f for f in view.data.findings() if still_open(f) and of_splicer(f, splicer)]
    if not mine:
        return None
    items = [
        html.Li(
            dcc.Link(
                [
                    html.Div(
                        [severity_tag(finding["severity"]), html.Strong(label(finding))],
                        className="row",
                    ),
                    html.Div(finding["summary"]),
                ],
                href=href("/findings", finding=finding["id"]),
                className="finding-link",
            )
        )
        for finding in mine[:4]
    ]
    return card(
        html.Ul(items, className="finding-list"),
        dcc.Link(f"All {len(mine)}", href=href("/findings", splicer=splicer), className="more")
        if len(mine) > 4
        else None,
        title="Open findings",
    )


def _model(view: View, splicer: str, unit: str) -> html.Section:
    title = "What moves this splicer's arc"
    rows = view.data.result("result_arc_models", splicer=splicer)
    if rows.empty:
        return card(notice("No arc check of this splicer is on record."), title=title)
    row = rows.iloc[0]
    if pd.isna(row["model"]):
        return card(
            notice(
                f"{_sentence(str(row['refusal']))} {int(row['checks'])} passed checks on record, "
                f"{int(row['used'])} of them with all that is needed.",
                title="Cannot tell yet.",
            ),
            title=title,
        )
    model = ArcModel.from_json(json.loads(row["model"]))
    table = effect_table(model)
    left_out = ", ".join(f"{count} {why}" for why, count in model.excluded.items())
    rests_on = (
        f"From {model.used} of {model.checks} checks"
        + (f" (left out: {left_out})" if left_out else "")
        + (
            f"; {chance(model.borrowed)} of what is known about the air comes from {model.sisters} "
            "splicers of the same model."
            if model.sisters
            else "; no other splicer of the same model to borrow from."
        )
        + f" A single check repeats to {model.sigma:.1f} {model.unit} (one standard deviation)."
    )
    picture = effects(table, unit=unit, scheme=view.scheme)
    return chart(
        title,
        picture,
        csv=csv_link("/splicer", "effects", {"splicer": splicer}),
        hint=rests_on,
        legend=False,
    )


def effect_table(model: ArcModel) -> pd.DataFrame:
    """Effects as rows ``effect``, ``change``, ``low``, ``high`` in the setting's unit."""
    shown = (model.air_span, *(model.pooled or model.effects))
    return pd.DataFrame(
        {
            "effect": [f"{effect.label}, {effect.per}" for effect in shown],
            "change": [effect.value for effect in shown],
            "low": [effect.low for effect in shown],
            "high": [effect.high for effect in shown],
        }
    )


def _effects(view: View) -> pd.DataFrame:
    rows = view.data.result("result_arc_models", splicer=_chosen(view))
    if rows.empty or pd.isna(rows.iloc[0]["model"]):
        return pd.DataFrame(columns=["effect", "change", "low", "high"])
    return effect_table(ArcModel.from_json(json.loads(rows.iloc[0]["model"])))


def _wear(view: View) -> pd.DataFrame:
    return wear_table(view, _chosen(view))


TABLES |= {"effects": _effects, "electrodes": _wear}


def _sentence(words: str) -> str:
    words = words[:1].upper() + words[1:]
    return words if words.endswith(".") else f"{words}."


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
    words = ", ".join(f"{count} {STATUS[str(status)][1]}" for status, count in counts.items())
    return card(
        html.Ul(cells, className="day-strip"),
        html.P(f"Newest day on the left: {words}."),
        dcc.Link("All days", href=href("/checks", splicer=splicer), className="more"),
        title=title,
    )
