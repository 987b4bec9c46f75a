"""Part of the splicer page: the setting in force, the one needed and the tolerance as one gauge."""

from collections.abc import Mapping
from typing import Any

from dash import html

from arcdrift.analysis.advice.advice import Advice
from arcdrift.wording import interval_text, number_text

ROOM = 0.14
"""Free part of the scale beyond what is drawn, on each side."""


def setting_gauge(advice: Advice, unit: str) -> Any:
    """Return the gauge, or a line that says what of it is known.

    It is plain HTML, so that it also stands in the page as first sent and on the pocket page.

    Parameters
    ----------
    unit : str
        Unit of the setting.
    """
    setting, need, tolerance = advice.setting, advice.required, advice.tolerance
    if need is None or setting is None or tolerance is None:
        stored = "No setting is stored" if setting is None else f"Set to {setting:g} {unit}"
        return html.P([html.Strong(stored), f". {advice.basis_note}"], className="gauge-line")
    value = float(need["value"])
    low, high = value - tolerance, value + tolerance
    first, last = min(low, setting), max(high, setting)
    margin = ROOM * (last - first)

    def place(at: float) -> float:
        return 100 * (at - first + margin) / (last - first + 2 * margin)

    fits = low <= setting <= high
    return html.Figure(
        [
            html.Div(
                [
                    _label(place(setting), f"set to {setting:g}", "gauge-set-label"),
                    html.Div(
                        [
                            html.Div(
                                className="gauge-band",
                                style={"left": f"{place(low):.1f}%",
                                       "width": f"{place(high) - place(low):.1f}%"},
                            ),
                            html.Div(className="gauge-need",
                                     style={"left": f"{place(value):.1f}%"}),
                            html.Div(className="gauge-set",
                                     style={"left": f"{place(setting):.1f}%"}),
                        ],
                        className="gauge-track",
                    ),
                    _label(place(value), f"needs {number_text(value, 1)}", "gauge-need-label"),
                ],
                className="gauge-drawing",
                **{"aria-hidden": "true"},
            ),
            html.Figcaption(
                [
                    html.Span(f"Set to {setting:g}. ", className="for-readers"),
                    _words(need, unit, low, high),
                ]
            ),
        ],
        className="gauge" if fits else "gauge gauge-off",
    )  # fmt: skip


def _label(place: float, text: str, name: str) -> html.Div:
    """Return words at a place of the scale, which stay within it near its ends."""
    shift = {"left": f"{place:.1f}%", "transform": f"translateX(-{place:.1f}%)"}
    return html.Div(html.Span(text, style=shift), className=f"gauge-label {name}")


def _words(need: Mapping[str, Any], unit: str, low: float, high: float) -> str:
    needed = interval_text(need["value"], need["low"], need["high"], unit, 1)
    return (
        f"Needed {needed}. From {number_text(low, 1)} to {number_text(high, 1)} it fits; further "
        "off, recalibrate."
    )
