"""Parts of a page that are sent as HTML, which a browser draws at once.

Dash makes every component one by one, about a millisecond each, so that a list of some hundred
rows takes seconds. What has no callback of its own is sent as text instead; the browser puts it in
its place (`assets/arcdrift.js`), where links and buttons work as in any other part of the page.
"""

import re
from copy import copy
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
PLAIN_LINK = frozenset({"children", "className", "href", "title"})
"""All that a link may have to be sent as HTML."""
WILDCARDS = ("data-", "aria-")
LEAST = 100
"""Components from which on a part is sent as HTML: about a tenth of a second."""
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


def with_static_parts(content: Any) -> Any:
    """Return content whose largest parts of plain HTML and links are sent as HTML.

    A part is plain when nothing in it has an id, which callbacks need. It stays the element that
    it was; only its children are sent as text. Content itself is not changed, as it may be kept.
    """
    return _sent(*_lighter(content))


def _lighter(content: Any) -> tuple[Any, int | None]:
    """Return content with static parts within; if all of it is plain, itself and its size."""
    is_list = isinstance(content, list | tuple)
    if not is_list and not isinstance(content, Component):
        return content, 1  # text
    children: Any = content if is_list else getattr(content, "children", None)
    several = isinstance(children, list | tuple)
    parts = children if several else [] if children is None else [children]
    found = [_lighter(part) for part in parts]
    sizes = [size for _, size in found if size is not None]
    if len(sizes) == len(found) and (is_list or _is_plain(content)):
        return content, sum(sizes) + (not is_list)
    lighter = [_sent(part, size) for part, size in found]
    if all(now is before for now, before in zip(lighter, parts, strict=True)):
        return content, None
    if is_list:
        return lighter, None
    changed = copy(content)
    changed.children = lighter if several else lighter[0]
    return changed, None


def _sent(part: Any, size: int | None) -> Any:
    """Return a part, with its children as HTML if it is plain and large."""
    if size is None or size < LEAST:
        return part
    if isinstance(part, list | tuple):
        return [with_static_parts(each) for each in part]
    if getattr(part, "_type", "") == "Link" or not hasattr(part, "children"):
        return part
    changed = copy(part)
    setattr(changed, SENT, as_html(part.children))
    del changed.children
    return changed


def _is_plain(component: Component) -> bool:
    if getattr(component, "_namespace", "") == "dash_html_components":
        return not hasattr(component, "id")
    return getattr(component, "_type", "") == "Link" and PLAIN_LINK.issuperset(_given(component))


def _given(component: Component) -> dict[str, Any]:
    """Return the properties that were given, as `to_plotly_json` does, which takes far longer."""
    names = component._prop_names
    return {
        name: value
        for name, value in vars(component).items()
        if name in names or name.startswith(WILDCARDS)
    }


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
    given = _given(component)
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
