"""The first screen as HTML inside the page as first sent, so that it is read before scripts run.

It is what the page begins with, laid over the still empty page; the style sheet hides it as soon
as the page itself is drawn.
"""

from collections.abc import Iterator
from typing import Any

from dash import html

from arcdrift.figures.theme import Scheme
from dashboard.callbacks import screen
from dashboard.components import View
from dashboard.pages.shift.shift import shift_board
from dashboard.reading.data import CrewData
from dashboard.static_html import as_html
from dashboard.url_query import parse

SHIFT_PATH = "/"
LONGEST = 20_000
"""Characters of HTML after which a first screen ends; more is out of sight."""


def first_screen_html(data: CrewData, path: str, query: str, scheme: Scheme) -> str:
    """Return the first screen of a page as HTML; empty where there is none to tell."""
    try:
        content = data.in_one_state(lambda: _content(data, path, query, scheme))
    except Exception:  # the page itself is made after this, and says what is wrong
        return ""
    return f'<div class="first-screen first-screen-{scheme}">{content}</div>' if content else ""


def _content(data: CrewData, path: str, query: str, scheme: Scheme) -> str:
    run = data.run()
    if run is not None and path == SHIFT_PATH and data.without_advice(data.splicers()):
        # nobody waits for advice here: this is to be read before anything else
        board, _ = shift_board(View(data, run, parse(query), scheme), 0.0)
        return as_html(html.Div(board))
    content = ""
    for block in _blocks(screen(data, path, f"?{query}" if query else "", scheme)):
        if len(content) > LONGEST:
            break
        content += as_html(block)
    return f"<div>{content}</div>"


def _blocks(part: Any) -> Iterator[Any]:
    """Yield the parts of a page from its top, as many as can stand for themselves."""
    if isinstance(part, list | tuple):
        for each in part:
            yield from _blocks(each)
    elif isinstance(part, html.Div) and list(part.to_plotly_json()["props"]) == ["children"]:
        yield from _blocks(part.children)
    else:
        yield part
