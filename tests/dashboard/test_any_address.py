"""Whatever an address says, a page or table answers with a sentence and never with an error."""

import os
from urllib.parse import quote_plus

from dash import Dash
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dashboard.callbacks import screen
from dashboard.components import View
from dashboard.first_screen import first_screen_html
from dashboard.pages import PAGES, TABLES
from dashboard.pages.budget.budget_query import CHARTS
from dashboard.pages.budget.budget_trial import trial_card
from dashboard.pages.splicer.splicer import charts_below_advice
from dashboard.reading.data import CrewData
from dashboard.url_query import parse
from tests.dashboard.invented import findings
from tests.dashboard.rendering import parts, text

NAMES = ("Heron", "Kestrel", "Plover", "Alder", "Birch", "Harbor", "single-mode fixed", "nobody")
KEYS = (
    "splicer", "program", "day", "period", "state", "subject", "measure", "technician", "share",
    "finding", "severity", "kind", "temperature", "pressure", "humidity", "at-site", "budget",
    "cause", "owner", "closed", "site", *CHARTS,
)  # fmt: skip
ODD = (
    "", "-1", "0", "nan", "inf", "-inf", "1e308", "9999-12-31", "0001-01-01", "2025-06-12",
    "2025-13-45", "now", "NaT", "all", "30", "level", "stream:Kestrel / single-mode fixed",
    "technician:Birch", "crew:crew", "site:", ":", "cleaver:C1", "redo", "loss", "act", "%00", "\0",
    "'; DROP TABLE splices; --", "<script>alert(1)</script>", "../../etc/passwd", "x" * 5000,
    "\N{GREEK SMALL LETTER MU}" * 900, "\N{RIGHT-TO-LEFT OVERRIDE}abc",
    "\N{FULLWIDTH DIGIT ONE}", "1_0", " ", "\n", "{}", "a.b", findings()[0].id,
)  # fmt: skip
values = st.sampled_from([*NAMES, *ODD]) | st.text(max_size=30) | st.floats().map(str)
pairs = st.tuples(st.sampled_from(KEYS) | st.text(max_size=8), values)
# raw text stands for what no browser would write: broken escapes, repeated signs
queries = st.lists(pairs, max_size=6).map(
    lambda pairs: "?" + "&".join(f"{quote_plus(k)}={quote_plus(v)}" for k, v in pairs)
) | st.text(max_size=40).map("?{}".format)
paths = st.sampled_from([*PAGES, "/elsewhere"])


def answer(data: CrewData, path: str, query: str) -> str:
    """All the text of a page and of what it loads later."""
    run = data.run()
    assert run is not None
    early = first_screen_html(data, path, query.removeprefix("?"), "light")
    page = [screen(data, path, query, "light")]
    for part in parts(page[0]):
        slot = getattr(part, "id", None)
        kind = slot.get("type") if isinstance(slot, dict) else ""
        if kind in ("rest-slot", "trial-slot"):
            view = View(data, run, parse(slot["query"]), "light")
            page.append(charts_below_advice(view) if kind == "rest-slot" else trial_card(view))
    return early + text(page)


checked = settings(max_examples=1500 if os.environ.get("ARCDRIFT_LONG") == "1" else 3)
CRASHED = (
    ("/loss", "?splicer=Kestrel&program=single-mode+fixed&day=-1"),
    ("/loss", "?splicer=Kestrel&program=single-mode+fixed&day=nan"),
    ("/loss", "?splicer=Kestrel&program=single-mode+fixed&day=9999-12-31"),
)
"""Addresses that once ended in an error."""


def with_examples(test):
    for path, query in CRASHED:
        test = example(path=path, query=query)(test)
    return test


@checked
@with_examples
@given(path=paths, query=queries)
def test_every_address_gets_a_page(data: CrewData, path: str, query: str):
    words = answer(data, path, query)
    assert len(words) > 20
    # what the address says is never repeated at length
    assert max(map(len, words.split())) < 300


@checked
@with_examples
@given(path=paths, query=queries)
def test_every_address_gets_its_tables(app: Dash, path: str, query: str):
    client = app.server.test_client()
    assert client.get(f"{path}{query}", follow_redirects=True).status_code == 200
    for page, name in TABLES:
        if f"/{page}" == path:
            assert client.get(f"/csv/{page}/{name}.csv{query}").status_code == 200, name
