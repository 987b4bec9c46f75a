"""Every page of every sort of crew: nothing cut off, no sideways scroll, nothing in the console.

It is looked at on a wide screen, on a phone, at 200 % and as it is printed; a picture of each is
made by `python -m tests.browser.every_page`.
"""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.driving import served
from tests.browser.every_page import (
    LOOKS,
    addresses,
    faults,
    lay_out_on_paper,
    leave_paper,
    open_page,
    visit,
)
from tests.browser.many_crews import CREWS

pytestmark = pytest.mark.browser


def faults_of_pages(browser: Browser, folder: Path, looks: list[str], only: str = "") -> list[str]:
    found = []
    with served(folder, prefetch_advice=True) as address:
        for look in looks:
            watched = visit(browser, address, look)
            for name, path in addresses(folder).items():
                if only in ("", name):
                    page = open_page(watched, path)
                    if look == "print":
                        lay_out_on_paper(page)
                    found += [f"{name}, {look}: {each}" for each in faults(watched, page, look)]
                    if look == "print":
                        leave_paper(page)
            watched.page.context.close()
    return found


def test_names_that_nobody_expects_do_not_break_a_page(browser: Browser, tmp_path: Path) -> None:
    folder = CREWS["hostile"](tmp_path / "crew")
    assert faults_of_pages(browser, folder, ["phone"], only="cases") == []


@pytest.mark.long
@pytest.mark.parametrize("crew", list(CREWS))
def test_every_page_of_a_crew_is_laid_out_well(browser: Browser, tmp_path: Path, crew: str) -> None:
    folder = CREWS[crew](tmp_path / "crew")
    assert faults_of_pages(browser, folder, list(LOOKS)) == []


@pytest.mark.long
def test_a_chart_on_paper_is_as_wide_as_the_sheet_and_comes_back(
    browser: Browser, tmp_path: Path
) -> None:
    folder = CREWS["single"](tmp_path / "crew")
    widths = "() => [...document.querySelectorAll('.js-plotly-plot')].map(e => e.offsetWidth)"
    with served(folder) as address:
        watched = visit(browser, address, "print")
        page = open_page(watched, "/loss")
        before = page.evaluate(widths)
        page.evaluate(
            """() => window.addEventListener('afterprint', () => {
                window.widths = window.printed; })"""
        )
        page.evaluate(
            """() => window.addEventListener('beforeprint', () => {
                window.printed = [...document.querySelectorAll('.js-plotly-plot')]
                    .map(e => e.offsetWidth); })"""
        )
        page.pdf()
        printed = page.evaluate("() => window.printed")
        page.wait_for_timeout(500)
        assert printed
        assert max(printed) < 700 < min(before)
        assert page.evaluate(widths) == before
        dark = "() => document.documentElement.dataset.mantineColorScheme"
        assert page.evaluate(dark) == "dark"


@pytest.mark.long
def test_a_list_that_was_opened_stays_open_when_a_splice_is_ticked_off(
    browser: Browser, tmp_path: Path
) -> None:
    folder = CREWS["sample"](tmp_path / "crew")
    with served(folder) as address:
        page = open_page(visit(browser, address, "phone"), "/cases/revisit")
        page.get_by_label("Your name").fill("Ash")
        older = page.locator(".revisit-older").first
        older.locator("summary").click()
        before = older.locator("li").count()
        older.get_by_role("button").nth(1).click()
        expect(older.locator("li")).to_have_count(before - 1)
        expect(older).to_have_attribute("open", "")
