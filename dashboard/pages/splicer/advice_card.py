"""Part of the splicer page: the verdict on its arc, with the reasons and the numbers."""

from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from arcdrift.analysis.advice.advice import Advice
from arcdrift.errors import ArcdriftError
from arcdrift.quantities import QUANTITIES
from arcdrift.verdicts import VERDICTS
from arcdrift.wording import probability_text
from dashboard import ids
from dashboard.components import View, facts, notice, select, shown_time, verdict_line
from dashboard.pages.splicer.upkeep import start_list
from dashboard.url_query import href, number

AIR = (
    ("temperature", "temperature_c", 1.0),
    ("pressure", "pressure_hpa", 1.0),
    ("humidity", "humidity_pct", 5.0),
)
PART_WORDS = {"air": "Air", "wear": "Electrode wear", "unexplained": "Unexplained"}


def advice_card(view: View, splicer: str) -> html.Section:
    """Return the advice for a splicer, with fields to type other air."""
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
            advice, body = None, [verdict_line("cannot-tell"), notice(str(problem))]
    return html.Section(
        [*body, _what_if(view, splicer, typed, advice)],
        className=_card_class(advice),
        **{"aria-label": "Advice"},
    )


def newest_air_card(view: View, splicer: str) -> html.Section:
    """Return the advice for a splicer in the newest air, without fields.

    Raises
    ------
    ArcdriftError
        When there is no advice to give.
    """
    advice = view.data.advice(splicer, None, None, None, None)
    return html.Section(_advice_body(view, splicer, advice), className=_card_class(advice))


def _card_class(advice: Advice | None) -> str:
    verdict = VERDICTS["cannot-tell" if advice is None else advice.verdict]
    return f"card advice role-{verdict.color_role}"


def _advice_body(view: View, splicer: str, advice: Advice) -> list[Any]:
    unit = view.data.unit(splicer)
    first, *rest = advice.reasons or (advice.basis_note,)
    numbers: list[tuple[str, Any]] = []
    if advice.required is not None:
        need = advice.required
        numbers.append(
            (
                "Setting needed",
                [
                    f"{need['value']:z.1f} {need['unit']}",
                    html.Span(
                        f"95 %: {need['low']:z.1f} to {need['high']:z.1f}", className="aside"
                    ),
                ],
            )
        )
    if advice.setting is not None:
        numbers.append(("Setting stored", f"{advice.setting:g} {unit}"))
    if advice.tolerance is not None:
        explained = html.Span("further off, recalibrate", className="aside")
        numbers.append(("Tolerance", [f"{advice.tolerance:.1f} {unit}", explained]))
    if advice.probability is not None:
        numbers.append(("Chance of being further off", probability_text(advice.probability)))
    numbers.append(
        (
            "Last passed check",
            shown_time(advice.last_check, view.data, splicer) if advice.last_check else "none",
        )
    )
    return [
        verdict_line(advice.verdict),
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
                html.Ul([html.Li(text) for text in advice.cautions], className="cautions"),
            ],
            open=advice.verdict in ("run-check", "recalibrate", "inspect"),
        ),
    ]


def _air_words(advice: Advice) -> str:
    air = advice.air
    if air is None:
        return "Air now: no recent reading. Type it in below."
    readings = [
        f"{air[column]:z.0f} {QUANTITIES[column].symbol}"
        for _, column, _ in AIR
        if air[column] is not None
    ]
    age = air["age_min"]
    return (
        f"Air now: {', '.join(readings) or 'nothing known'}; {air['source']}"
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
        newest = air.get(column)
        inputs.append(
            dmc.NumberInput(
                id=ids.filter_control(key),
                label=f"{quantity.label}, {quantity.symbol}",
                value="" if typed[key] is None else typed[key],
                placeholder="" if newest is None else f"{newest:z.0f}",
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
    any_typed = bool(site) or any(value is not None for value in typed.values())
    return html.Details(
        [
            html.Summary("What if the air were different?"),
            html.Div(inputs, className="filters"),
            dcc.Link(
                "Back to the newest readings",
                href=href("/splicer", splicer=splicer, period=view.query.get("period")),
            )
            if any_typed
            else html.P("Type what you measure; an empty field keeps the newest reading."),
        ],
        open=any_typed or advice is None or advice.air is None,
        className="what-if",
    )
