"""The pages: functions that build each from a `View`, and the tables it offers for download."""

from collections.abc import Callable
from typing import Any

import pandas as pd
from dash import dcc, html

from dashboard.components import View, heading
from dashboard.pages.budget import budget
from dashboard.pages.cases import case_page, cases, revisit
from dashboard.pages.checks import checks
from dashboard.pages.coaching import coaching, person
from dashboard.pages.loss import loss
from dashboard.pages.records import records
from dashboard.pages.shift import shift
from dashboard.pages.splicer import splicer
from dashboard.pages.upkeep import upkeep
from dashboard.pages.week import week
from dashboard.reading.data import CrewData
from dashboard.shell import PLACES
from dashboard.url_query import Query, shown

ONE_CASE = "/cases/*"
"""Address of the page of one case; its id stands in place of the star."""
PAGES: dict[str, Callable[[View], Any]] = {
    "/": shift.render,
    "/week": week.render,
    "/upkeep": upkeep.render,
    "/cases": cases.render,
    "/cases/revisit": revisit.render,
    ONE_CASE: case_page.render,
    "/loss": loss.render,
    "/splicer": splicer.render,
    "/checks": checks.render,
    "/coaching": coaching.render,
    "/person": person.render,
    "/budget": budget.render,
}
PAGES_OF_RECORDS: dict[str, Callable[[CrewData, Query], Any]] = {"/records": records.render}
"""Pages that need no analysis."""
TABLES: dict[tuple[str, str], Callable[[View], pd.DataFrame]] = {
    (page, name): table
    for page, module in (
        ("cases", cases),
        ("week", week),
        ("loss", loss),
        ("splicer", splicer),
        ("checks", checks),
        ("coaching", coaching),
        ("person", person),
        ("upkeep", upkeep),
        ("budget", budget),
    )
    for name, table in module.TABLES.items()
}

FOLDED: dict[tuple[str, str], Callable[[View], Any]] = {
    (page, name): part
    for page, module in (
        ("loss", loss),
        ("budget", budget),
        ("coaching", coaching),
        ("person", person),
        ("upkeep", upkeep),
    )
    for name, part in module.FOLDED.items()
}
"""Parts of pages that are made only when somebody opens them, by page and name."""


def not_allowed(path: str) -> html.Div:
    """Return the page for an address that the viewer's role does not open."""
    return html.Div(
        [
            heading("Not for this sign-in", f"{shown(path)} is open to trainers and leads."),
            html.P(dcc.Link("To the start page", href="/")),
        ]
    )


def page_address(path: str | None) -> tuple[str, dict[str, str]]:
    """Return the key in `PAGES` of an address, and what its last part says.

    The page of one case gets the id in its address as ``case`` of the query.
    """
    address = (path or "/").rstrip("/") or "/"
    start, _, last = address.rpartition("/")
    if address not in PAGES and f"{start}/*" == ONE_CASE:
        return ONE_CASE, {case_page.CASE_KEY: last}
    return address, {}


def not_found(path: str) -> html.Div:
    """Return the page for an unknown address."""
    return html.Div(
        [
            heading("No such page", f"Nothing lives at {shown(path)}."),
            html.P("Pages there are:"),
            html.Ul(
                [html.Li(dcc.Link(place.text, href=place.path)) for place in PLACES],
                className="plain-list",
            ),
        ]
    )
