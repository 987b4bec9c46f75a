"""Part of the splicer page: what the verdict would be at another site or in other air."""

from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from arcdrift.analysis.advice.advice import Advice
from arcdrift.errors import ArcdriftError
from arcdrift.quantities import QUANTITIES
from arcdrift.verdicts import VERDICTS
from dashboard import ids
from dashboard.components import View, card, notice, verdict_line
from dashboard.pages.splicer.advice_words import AIR, air_words, one_reason
from dashboard.pages.splicer.setting_gauge import setting_gauge
from dashboard.url_query import href, number

SITE_KEY = "at-site"


def elsewhere_card(view: View, splicer: str, now: Advice | None) -> html.Section:
    """Return the fields for other air, and the answer beside them.

    Parameters
    ----------
    now : Advice, optional
        The advice in the newest air, whose readings stand in the empty fields.
    """
    typed = {key: number(view.query, key) for key, _, _ in AIR}
    site = view.query.get(SITE_KEY)
    supposed = bool(site) or any(value is not None for value in typed.values())
    return card(
        html.Div(
            [
                html.Div([_sites(view, splicer, site), _fields(typed, now)],
                         className="elsewhere-fields"),
                html.Div(_answer(view, splicer, typed, site) if supposed else _hint(now),
                         className="elsewhere-answer", role="status"),
            ],
            className="elsewhere-parts",
        ),
        title="Going elsewhere?",
        name="elsewhere",
        aside=dcc.Link("Clear", href=href("/splicer", splicer=splicer)) if supposed else None,
    )  # fmt: skip


def _sites(view: View, splicer: str, chosen: str | None) -> html.Ul | None:
    sites = list(view.data.crew.sites)
    if len(sites) < 2:
        return None
    return html.Ul(
        [
            html.Li(
                dcc.Link(
                    name,
                    href=href(
                        "/splicer",
                        {**view.query, "splicer": splicer},
                        **{SITE_KEY: None if name == chosen else name},
                    ),
                    className="chip chosen" if name == chosen else "chip",
                ),
                **{"data-keep": f"site {name}"},
            )
            for name in sites
        ],
        className="chips",
        **{"aria-label": "At which site"},
    )


def _fields(typed: dict[str, float | None], now: Advice | None) -> html.Div:
    air = now.air if now is not None and now.air is not None else {}
    key, column, _ = AIR[0]
    others = [_number(key, column, step, typed[key], air.get(column)) for key, column, step in
              AIR[1:]]  # fmt: skip
    any_other = any(typed[key] is not None for key, _, _ in AIR[1:])
    return html.Div(
        [
            html.Div(
                [
                    _step("−", -1, "One degree colder"),
                    _number(key, column, 1.0, typed[key], air.get(column)),
                    _step("+", 1, "One degree warmer"),
                ],
                className="stepper",
            ),
            html.Details(
                [
                    html.Summary("Pressure and humidity, if you measure them"),
                    html.Div(others, className="filters"),
                ],
                open=any_other,
            ),
        ]
    )


def _step(sign: str, by: int, label: str) -> html.Button:
    return html.Button(
        sign,
        className="button big step",
        type="button",
        **{"data-step": str(by), "data-keep": f"step {by}", "aria-label": label},
    )


def _number(
    key: str, column: str, step: float, value: float | None, newest: float | None
) -> dmc.NumberInput:
    quantity = QUANTITIES[column]
    return dmc.NumberInput(
        id=ids.filter_control(key),
        label=f"{quantity.label}, {quantity.symbol}",
        value="" if value is None else value,
        placeholder="" if newest is None else f"{newest:z.0f}",
        step=step,
        debounce=600,
        hideControls=True,
        size="md",
        className="filter",
    )


def _hint(now: Advice | None) -> html.P:
    if now is None or now.air is None:
        return html.P("No recent reading. Put in what you measure, and the answer stands here.")
    return html.P(
        "Choose a site or another temperature: the answer stands here. An empty field keeps the "
        "newest reading.",
        className="muted",
    )


def _answer(
    view: View, splicer: str, typed: dict[str, float | None], site: str | None
) -> list[Any]:
    impossible = [
        QUANTITIES[column].label
        for key, column, _ in AIR
        if (value := typed[key]) is not None
        and not QUANTITIES[column].low <= value <= QUANTITIES[column].high
    ]
    if impossible:
        return [notice(f"{', '.join(impossible)}: no such air on earth. Check it.")]
    try:
        advice = view.data.advice(
            splicer, typed["temperature"], typed["pressure"], typed["humidity"], site
        )
    except ArcdriftError as problem:
        return [notice(str(problem))]
    role = VERDICTS[advice.verdict].color_role
    return [
        html.Div(
            [
                html.Span("supposed", className="tag supposed"),
                verdict_line(advice.verdict),
                html.P(one_reason(advice)),
                setting_gauge(advice, view.data.unit(splicer)),
                html.P(air_words(advice, "Air supposed"), className="muted hint"),
            ],
            className=f"supposed-answer role-{role}",
        )
    ]
