"""The first screen as HTML inside the page as first sent, so that it is read before scripts run.

It is what the Shift page and the Splicer page begin with, laid over the still empty page; the
style sheet hides it as soon as the page itself is drawn.
"""

from html import escape
from typing import Any

from dash import html
from dash.development.base_component import Component

from arcdrift.errors import ArcdriftError
from arcdrift.figures.theme import Scheme
from dashboard.components import View
from dashboard.pages.shift.shift import shift_board
from dashboard.pages.splicer.advice_card import advice_card
from dashboard.pages.splicer.splicer import chosen_splicer
from dashboard.reading.data import CrewData
from dashboard.url_query import parse

SPLICER_PATH, SHIFT_PATH = "/splicer", "/"


def advice_html(data: CrewData, path: str, query: str, scheme: Scheme) -> str:
    """Return the first screen of the Shift or the Splicer page as HTML, else an empty text."""
    address = path.rstrip("/") or "/"
    if address not in (SPLICER_PATH, SHIFT_PATH):
        return ""
    try:
        content = data.in_one_state(lambda: _first_screen(data, address, query, scheme))
    except ArcdriftError:
        return ""  # the page itself says what is wrong
    return f'<div class="early-advice early-advice-{scheme}">{content}</div>' if content else ""


def _first_screen(data: CrewData, address: str, query: str, scheme: Scheme) -> str:
    run = data.run()
    if run is None:
        return ""
    view = View(data, run, parse(query), scheme)
    return as_html(_shift(view) if address == SHIFT_PATH else _splicer(view))


def _shift(view: View) -> html.Div:
    # nobody waits for advice here: this is to be read before anything else
    return html.Div(shift_board(view, 0.0)[0])


def _splicer(view: View) -> html.Div | None:
    splicer = chosen_splicer(view)
    if splicer not in view.data.splicers():
        return None
    advice = view.data.advice(splicer, None, None, None)
    return html.Div([html.H1(splicer), advice_card(view, splicer, advice)])


def as_html(component: Any) -> str:
    """Render a component of plain HTML as text, links and titles of other libraries as well.

    Of any other component, only its children.
    """
    if component is None or isinstance(component, bool):
        return ""
    if isinstance(component, list | tuple):
        return "".join(map(as_html, component))
    if not isinstance(component, Component):
        return escape(str(component))
    inner = as_html(getattr(component, "children", None))
    tag = _tag(component)
    if tag is None:
        return inner
    values = {
        "class": getattr(component, "className", None),
        "role": getattr(component, "role", None),
        "href": getattr(component, "href", None),
        "aria-hidden": getattr(component, "aria-hidden", None),
        "aria-label": getattr(component, "aria-label", None),
        "style": ";".join(
            f"{name}:{value}" for name, value in (getattr(component, "style", None) or {}).items()
        ),
    }
    attributes = "".join(
        f' {name}="{escape(str(value))}"' for name, value in values.items() if value
    )
    is_open = " open" if tag == "details" and getattr(component, "open", False) else ""
    return f"<{tag}{attributes}{is_open}>{inner}</{tag}>"


def _tag(component: Component) -> str | None:
    """Return the HTML element of a component; None for one that has none of its own."""
    name = str(getattr(component, "_type", "Div"))
    if getattr(component, "_namespace", "") == "dash_html_components":
        return name.lower()
    if name == "Title":
        return f"h{getattr(component, 'order', 1)}"
    return {"Link": "a", "Text": "p"}.get(name)
