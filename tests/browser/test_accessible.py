"""No page has a serious violation of WCAG 2.1 A or AA, as far as axe-core finds them.

Rules: https://www.w3.org/TR/WCAG21/; axe-core (Deque, MPL 2.0) comes with `axe-playwright-python`
and is put into the page from there; nothing is fetched.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from dashboard.reading.data import CrewData
from tests.browser.driving import PHONE, WIDE, Watched, served
from tests.browser.page_addresses import page_addresses

pytestmark = pytest.mark.browser

EVERYDAY = {
    ("phone", "light"): ("/", "/splicer?splicer=Heron"),
    ("wide", "dark"): ("/", "/loss"),
    ("phone", "dark"): (),
    ("wide", "light"): (),
}
"""Pages looked at outside the long form, by size and colors."""
SIZES = {"wide": WIDE, "phone": PHONE}
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]
OPTIONS: dict[str, Any] = {
    "resultTypes": ["violations"],
    "runOnly": {"type": "tag", "values": LEVELS},
}


@contextmanager
def visitor(browser: Browser, address: str, size: str, colors: str) -> Iterator[Watched]:
    """Yield a browser whose pages may run a script that is put in: they forbid it otherwise."""
    context = browser.new_context(viewport=SIZES[size], bypass_csp=True)
    context.add_cookies([{"name": "arcdrift-scheme", "value": colors, "url": address}])
    yield Watched(context, address)
    context.close()


def serious(page: Any) -> list[str]:
    """Serious and critical violations of a page, each with the first element that has it."""
    found = Axe().run(page, options=OPTIONS).response["violations"]
    return [
        f"{each['id']}: {each['help']} - {each['nodes'][0]['html'][:160]} "
        f"({len(each['nodes'])} elements) {each['nodes'][0]['failureSummary'][:300]}"
        for each in found
        if each["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize(
    ("size", "colors"),
    [
        pytest.param(*key, marks=() if paths else pytest.mark.long)
        for key, paths in EVERYDAY.items()
    ],
)
def test_no_page_has_a_serious_violation(
    browser: Browser, address: str, shown_folder: Path, size: str, colors: str
) -> None:
    long = os.environ.get("ARCDRIFT_LONG") == "1"
    paths = page_addresses(CrewData(shown_folder)) if long else EVERYDAY[size, colors]
    violations: dict[str, list[str]] = {}
    with visitor(browser, address, size, colors) as watched:
        watched.open("/nowhere")
        for path in paths:
            page = watched.go(path)
            # whatever is folded is looked at too
            page.evaluate("() => document.querySelectorAll('details').forEach(d => d.open = true)")
            watched.settle()
            found = serious(page)
            if found:
                violations[path] = found
    sentences = [f"{path}: {each}" for path, found in violations.items() for each in found]
    assert not sentences, "\n".join(sentences)


@pytest.mark.parametrize("size", [pytest.param("wide", marks=pytest.mark.long), "phone"])
def test_the_rows_of_a_grid_are_seen(browser: Browser, address: str, size: str) -> None:
    """A column that shares the rest of too narrow a grid once kept all of it hidden."""
    hidden = """() => [...document.querySelectorAll('.ag-cell, .ag-header-cell')].filter(
        cell => getComputedStyle(cell).visibility === 'hidden').length"""
    with visitor(browser, address, size, "light") as watched:
        page = watched.open("/loss?splicer=Kestrel&program=single-mode+fixed")
        page.get_by_text("Every splice, newest first").click()
        watched.settle()
        page.wait_for_selector(".ag-cell")
        page.wait_for_function(f"() => ({hidden})() === 0", timeout=5_000)
        assert page.locator(".ag-cell").count() > 0


@pytest.mark.parametrize(
    ("size", "colors"),
    [("phone", "light"), pytest.param("wide", "dark", marks=pytest.mark.long)],
)
def test_a_new_crew_is_set_up_without_a_serious_violation(
    browser: Browser, tmp_path: Path, size: str, colors: str
) -> None:
    (tmp_path / "crew.toml").write_text('name = "New"\n', encoding="utf-8")
    with (
        served(tmp_path) as address,
        visitor(browser, address, size, colors) as watched,
    ):
        page = watched.open("/records")
        page.get_by_role("button", name="Save", exact=True).click()
        page.get_by_text("Choose the time zone").wait_for()
        assert serious(page) == []
