"""The advice in the page as it is first sent, so that a technician reads it before scripts run.

The very card of the Splicer page, written as plain HTML over the empty page; it goes away the
moment the page itself has drawn.
"""

from html import escape
from typing import Any

from dash import html
from dash.development.base_component import Component

from arcdrift.errors import ArcdriftError
from arcdrift.figures.theme import Scheme
from dashboard.components import View
from dashboard.data import CrewData
from dashboard.pages.advice_card import first_card
from dashboard.pages.splicer import chosen
from dashboard.url_query import parse

PATH = "/splicer"
ASKED = ("temperature", "pressure", "humidity", "at-site")
"""Questions of the address that have another answer than the newest air's."""


def first_words(data: CrewData, path: str, query: str, scheme: Scheme) -> str:
    """HTML of a splicer's advice, empty where there is none to give."""
    asked = parse(query)
    if path.rstrip("/") != PATH or any(key in asked for key in ASKED):
        return ""
    try:
        run = data.run()
        if run is None:
            return ""
        view = View(data, run, asked, scheme)
        splicer = chosen(view)
        if splicer not in data.splicers():
            return ""
        card = first_card(view, splicer)
    except ArcdriftError:
        return ""  # the page itself says what is wrong
    words = as_html(html.Div([html.H1(splicer), card]))
    return f'<div class="first-words first-words-{scheme}">{words}</div>'


def as_html(part: Any) -> str:
    """Write a component of plain HTML as text; of any other, what it holds."""
    if part is None or isinstance(part, bool):
        return ""
    if isinstance(part, list | tuple):
        return "".join(map(as_html, part))
    if not isinstance(part, Component):
        return escape(str(part))
    inner = as_html(getattr(part, "children", None))
    if getattr(part, "_namespace", "") != "dash_html_components":
        return inner
    tag = str(getattr(part, "_type", "Div")).lower()
    given = {"class": getattr(part, "className", None), "role": getattr(part, "role", None)}
    said = "".join(f' {name}="{escape(str(value))}"' for name, value in given.items() if value)
    opened = " open" if tag == "details" and getattr(part, "open", False) else ""
    return f"<{tag}{said}{opened}>{inner}</{tag}>"
