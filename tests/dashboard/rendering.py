"""Rendering pages for tests, and reading what is on them."""

from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.callbacks import folded_part, screen
from dashboard.components import View
from dashboard.pages.splicer.splicer import charts_below_advice
from dashboard.reading.data import CrewData
from dashboard.static_html import NAMES, SENT, VOID
from dashboard.url_query import parse


class UnchangingCrew(CrewData):
    """A crew that no test changes, so that each of its pages is built only once."""

    _pages: dict[tuple[str, str, str], list[Any]] | None = None

    def page(self, path: str, query: str, scheme: str) -> list[Any]:
        if self._pages is None:
            self._pages = {}
        key = (path, query, scheme)
        if key not in self._pages:
            self._pages[key] = _built(self, *key)
        return self._pages[key]


def whole(data: CrewData, path: str, query: str = "", scheme: str = "light") -> list[Any]:
    """Return a page, and the parts of it that are loaded later or when they are opened."""
    if isinstance(data, UnchangingCrew):
        return data.page(path, query, scheme)
    return _built(data, path, query, scheme)


def _built(data: CrewData, path: str, query: str, scheme: Any) -> list[Any]:
    page = screen(data, path, query, scheme)
    slots = [
        part.id["query"] for part in parts(page) if "rest-slot" in str(getattr(part, "id", ""))
    ]
    run = data.run()
    assert run is not None or not slots
    opened = [part.id for part in parts(page) if _is_folded(part)]
    return [
        page,
        *(folded_part(data, place, scheme) for place in opened),
        *(charts_below_advice(View(data, run, parse(asked), scheme)) for asked in slots if run),
    ]


def _is_folded(part: Component) -> bool:
    place = getattr(part, "id", None)
    return isinstance(place, dict) and place["type"] == "folded"


def shown(data: CrewData, path: str, query: str = "") -> str:
    """Return all the text of a page."""
    return " ".join(text(whole(data, path, query)).split())


def parts(component: Any) -> Iterator[Component]:
    """Yield a component and every component in it, also of what is sent as HTML."""
    if isinstance(component, list | tuple):
        for item in component:
            yield from parts(item)
    elif isinstance(component, Component):
        yield component
        for name, value in component.to_plotly_json()["props"].items():
            yield from parts(components_of(value) if name == SENT else value)


def text(component: Any) -> str:
    """Return the text in a component."""
    if isinstance(component, list | tuple):
        return " ".join(text(item) for item in component)
    if isinstance(component, Component):
        sent = component.to_plotly_json()["props"].get(SENT)
        return text(getattr(component, "children", None) if sent is None else components_of(sent))
    return "" if component is None else str(component)


def components_of(sent: str) -> list[Any]:
    """Return the components that a part was made of which is sent as HTML."""
    reader = _Components()
    reader.feed(sent)
    return reader.read[0]


class _Components(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.read: list[list[Any]] = [[]]
        self.opened: list[tuple[str, dict[str, Any]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        dash_names = {name: dash_name for dash_name, name in NAMES.items()}
        given = {dash_names.get(name, name): value for name, value in attrs if name != "style"}
        self.opened.append((tag, given))
        self.read.append([])
        if tag in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        opened, given = self.opened.pop()
        assert opened == tag
        children = self.read.pop()
        self.read[-1].append(getattr(html, tag.capitalize())(children or None, **given))

    def handle_data(self, data: str) -> None:
        self.read[-1].append(data)
