"""Parts of a page that are sent as HTML, which a browser draws at once.

Dash makes every component one by one, about a millisecond each, so that a list of some hundred
rows takes seconds. What has no callback of its own is sent as text instead; the browser puts it in
its place (`assets/arcdrift.js`), where links and buttons work as in any other part of the page.
"""

import re
from html import escape
from typing import Any

from dash import html
from dash.development.base_component import Component

from arcdrift.wording import isolated_text

SENT = "data-html"
"""Attribute that holds the HTML of a part."""
NAMES = {
    "className": "class", "colSpan": "colspan", "rowSpan": "rowspan", "htmlFor": "for",
    "tabIndex": "tabindex",
}  # fmt: skip
"""Attributes that Dash calls otherwise than HTML."""
LEFT_OUT = ("children", "id", "key", "n_clicks")
VOID = ("br", "hr", "img", "input", "col")
"""Elements that have no end."""


def static_part(*children: Any, name: str = "") -> html.Div:
    """Return a part of a page that is sent as HTML.

    Parameters
    ----------
    children
        Components of plain HTML, and links; none has a callback.
    name : str
        Classes of the element around them.
    """
    return html.Div(className=f"static-part {name}".strip(), **{SENT: as_html(children)})


def as_html(component: Any) -> str:
    """Render a component of plain HTML as text, links and titles of other libraries as well.

    Of any other component, only its children. Ids are left out: they belong to callbacks.
    """
    if component is None or isinstance(component, bool):
        return ""
    if isinstance(component, list | tuple):
        return "".join(map(as_html, component))
    if not isinstance(component, Component):
        return escape(isolated_text(str(component)))
    given = component.to_plotly_json()["props"]
    inner = given[SENT] if SENT in given else as_html(given.get("children"))
    tag = _tag(component)
    if tag is None:
        return str(inner)
    opened = f"<{tag}{_attributes(component, given)}>"
    return opened if tag in VOID else f"{opened}{inner}</{tag}>"


def _attributes(component: Component, given: dict[str, Any]) -> str:
    if getattr(component, "_namespace", "") == "dash_html_components":
        kept = {name: value for name, value in given.items() if name not in (*LEFT_OUT, SENT)}
    else:
        kept = {name: given[name] for name in ("className", "href", "title") if name in given}
        if getattr(component, "_type", "") == "Link":
            kept["data-page"] = ""  # opened without loading everything again
    return "".join(map(_attribute, kept, kept.values()))


def _attribute(name: str, value: Any) -> str:
    """Return an attribute with the space before it; empty for one that is not set."""
    if value is None or value is False:
        return ""
    name = NAMES.get(name, name)
    if value is True:
        return f" {name}"
    if name == "style":
        value = ";".join(f"{_css_name(key)}:{each}" for key, each in value.items())
    text = isolated_text(str(value)) if name in ("title", "aria-label") else str(value)
    return f' {name}="{escape(text)}"'


def _css_name(name: str) -> str:
    return name if name.startswith("--") else re.sub("[A-Z]", lambda m: f"-{m[0].lower()}", name)


def _tag(component: Component) -> str | None:
    """Return the HTML element of a component; None for one that has none of its own."""
    name = str(getattr(component, "_type", "Div"))
    if getattr(component, "_namespace", "") == "dash_html_components":
        return name.lower()
    if name == "Title":
        return f"h{getattr(component, 'order', 1)}"
    return {"Link": "a", "Text": "p"}.get(name)
