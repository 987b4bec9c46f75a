"""Part of the splicer page: the verdict on its arc, one reason, the gauge, the cautions."""

from typing import Any

from dash import html

from arcdrift.analysis.advice.advice import Advice
from arcdrift.errors import ArcdriftError
from arcdrift.verdicts import VERDICTS
from dashboard.components import View, notice, verdict_line
from dashboard.pages.splicer.advice_words import air_words, one_reason, why_details
from dashboard.pages.splicer.setting_gauge import setting_gauge

HANDS_ON = ("run-check", "recalibrate", "inspect")
"""Verdicts after which somebody works at the arc."""


def advice_now(view: View, splicer: str) -> tuple[Advice | None, str]:
    """Return the advice in the newest air, or why there is none."""
    try:
        return view.data.advice(splicer, None, None, None), ""
    except ArcdriftError as problem:
        return None, str(problem)


def advice_card(
    view: View, splicer: str, advice: Advice | None, trouble: str = "", *, with_air: bool = False
) -> html.Section:
    """Return the verdict, its reason, the gauge and the cautions.

    Parameters
    ----------
    trouble : str
        Why there is no advice.
    with_air : bool
        Whether the air is told below the gauge, where no further part of the page tells it.
    """
    verdict = VERDICTS["cannot-tell" if advice is None else advice.verdict]
    if advice is None:
        body: list[Any] = [verdict_line("cannot-tell"), notice(trouble)]
    else:
        body = [
            verdict_line(advice.verdict),
            html.P(one_reason(advice), className="lead"),
            setting_gauge(advice, view.data.unit(splicer)),
            html.P(air_words(advice), className="air-line") if with_air else None,
            html.A("Log the check", href="#log-check", className="button big primary go")
            if verdict.stops_work and not with_air
            else None,
            _cautions(advice),
            why_details(view, splicer, advice),
        ]
    return html.Section(
        body, className=f"card advice role-{verdict.color_role}", **{"aria-label": "Advice"}
    )


def _cautions(advice: Advice) -> html.Details:
    return html.Details(
        [
            html.Summary("Before you touch the splicer"),
            html.Ul([html.Li(text) for text in advice.cautions], className="cautions"),
        ],
        open=advice.verdict in HANDS_ON,
    )
