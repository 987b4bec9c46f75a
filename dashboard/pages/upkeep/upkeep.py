"""The Upkeep page: electrodes, blades, cleaning and factory service, and when each is due."""

from dash import dcc, html

from arcdrift.errors import ArcdriftError
from dashboard.components import View, card, heading, notice
from dashboard.pages.splicer.upkeep import start_list
from dashboard.url_query import href


def render(view: View) -> html.Div:
    """Return the page."""
    return html.Div(
        [
            heading("Upkeep", "What is left on each splicer, and what is due when."),
            *(_splicer(view, name) for name in view.data.splicers()),
        ]
    )


def _splicer(view: View, splicer: str) -> html.Section:
    title = dcc.Link(splicer, href=href("/splicer", splicer=splicer))
    try:
        items = view.data.advice(splicer, None, None, None).start_of_day
    except ArcdriftError as problem:
        return card(notice(str(problem)), title=title)
    return card(start_list(items), title=title)
