"""The advice as HTML inside the page as first sent, so that it can be read before scripts run.

It is the same card as on the Splicer page, laid over the still empty page; the style sheet hides
it as soon as the page itself is drawn.
"""

from html import escape
from typing import Any

from dash import html
from dash.development.base_component import Component

from arcdrift.errors import ArcdriftError
from arcdrift.figures.theme import Scheme
from dashboard.components import View
from dashboard.pages.splicer.advice_card import newest_air_card
from dashboard.pages.splicer.splicer import chosen_splicer
from dashboard.reading.data import CrewData
from dashboard.url_query import parse

PATH = "/splicer"
OTHER_AIR_KEYS = ("temperature", "pressure", "humidity", "at-site")
"""Keys of the address that ask for advice in other air than the newest."""


def advice_html(data: CrewData, path: str, query: str, scheme: Scheme) -> str:
    """Return a splicer's advice as HTML, empty where the address asks for none."""
    parsed = parse(query)
    if path.rstrip("/") != PATH or any(key in parsed for key in OTHER_AIR_KEYS):
        return ""
    try:
        content = data.in_one_state(lambda: _advice(data, parsed, scheme))
    except ArcdriftError:
        return ""  # the page itself says what is wrong
    return f'<div class="early-advice early-advice-{scheme}">{content}</div>' if content else ""


def _advice(data: CrewData, parsed: dict[str, str], scheme: Scheme) -> str:
    run = data.run()
    if run is None:
        return ""
    view = View(data, run, parsed, scheme)
    splicer = chosen_splicer(view)
    if splicer not in data.splicers():
        return ""
    return as_html(html.Div([html.H1(splicer), newest_air_card(view, splicer)]))


def as_html(component: Any) -> str:
    """Render a component of plain HTML as text; of any other component, only its children."""
    if component is None or isinstance(component, bool):
        return ""
    if isinstance(component, list | tuple):
        return "".join(map(as_html, component))
    if not isinstance(component, Component):
        return escape(str(component))
    inner = as_html(getattr(component, "children", None))
    if getattr(component, "_namespace", "") != "dash_html_components":
        return inner
    tag = str(getattr(component, "_type", "Div")).lower()
    values = {
        "class": getattr(component, "className", None),
        "role": getattr(component, "role", None),
    }
    attributes = "".join(
        f' {name}="{escape(str(value))}"' for name, value in values.items() if value
    )
    is_open = " open" if tag == "details" and getattr(component, "open", False) else ""
    return f"<{tag}{attributes}{is_open}>{inner}</{tag}>"
