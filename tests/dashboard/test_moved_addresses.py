"""Old addresses lead to the pages that took their place, with what they asked for."""

import pytest
from dash import Dash

from dashboard.callbacks import screen
from dashboard.moved_addresses import new_address
from dashboard.pages import PAGES, PAGES_OF_RECORDS
from dashboard.shell import PLACES, TABS
from tests.dashboard.rendering import text

MOVED = (
    ("/prep", "", "/coaching"),
    ("/prep/", "?share=0.9&splicer=A+B", "/coaching?share=0.9&splicer=A+B"),
    ("/design", "budget=5", "/budget?budget=5"),
    ("/findings", "", "/cases"),
    ("/findings", "?finding=51bb7d83a773&kind=arc-drift", "/cases/51bb7d83a773"),
    ("/findings", "?finding=..%2F..%2Fetc", "/cases"),
    ("/csv/findings/findings.csv", "", "/csv/cases/findings.csv"),
    ("/findings", "?splicer=Heron", "/cases?subject=splicer%3AHeron"),
    ("/csv/prep/people.csv", "?who=splicer", "/csv/coaching/people.csv?who=splicer"),
)


@pytest.mark.parametrize(("path", "query", "now"), MOVED)
def test_an_old_address_leads_to_the_new_one(app: Dash, path: str, query: str, now: str):
    assert new_address(path, query) == now
    answer = app.server.test_client().get(f"{path}?{query.removeprefix('?')}")
    assert answer.status_code == 301
    assert answer.headers["Location"] == now
    assert new_address(*now.partition("?")[::2]) is None


def test_what_an_address_asks_cannot_lead_elsewhere(app: Dash):
    answer = app.server.test_client().get("/prep?a=//evil.example%0d%0aX:1")
    assert answer.headers["Location"] == "/coaching?a=%2F%2Fevil.example%0D%0AX%3A1"


def test_a_page_that_was_open_meanwhile_shows_the_new_page(data):
    page = screen(data, "/prep", "?share=0.9", "light")
    assert text(page).strip().startswith("Coaching")
    assert getattr(page, "data-moved") == "/coaching?share=0.9"
    assert not hasattr(screen(data, "/coaching", "", "light"), "data-moved")


def test_no_page_is_in_the_navigation_twice_or_has_an_old_address():
    paths = [place.path for place in PLACES]
    assert len(set(paths)) == len(paths)
    assert set(paths) <= {*PAGES, *PAGES_OF_RECORDS}
    assert all(new_address(path, "") is None for path in paths)
    for role, tabs in TABS.items():
        assert set(tabs) <= set(paths), role
        assert len(tabs) <= 4, role  # and More beside them
