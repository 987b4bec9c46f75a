"""Rendering pages for tests, and reading what is on them."""

from collections.abc import Iterator
from typing import Any

from dash.development.base_component import Component

from dashboard.callbacks import folded_part, screen
from dashboard.components import View
from dashboard.pages.splicer.splicer import charts_below_advice
from dashboard.reading.data import CrewData
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
    """Yield a component and every component in it."""
    if isinstance(component, list | tuple):
        for item in component:
            yield from parts(item)
    elif isinstance(component, Component):
        yield component
        for value in component.to_plotly_json()["props"].values():
            yield from parts(value)


def text(component: Any) -> str:
    """Return the text in a component."""
    if isinstance(component, list | tuple):
        return " ".join(text(item) for item in component)
    if isinstance(component, Component):
        return text(getattr(component, "children", None))
    return "" if component is None else str(component)
