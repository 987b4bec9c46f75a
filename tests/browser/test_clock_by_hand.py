"""A wrong clock is set right on a phone: its picture, the form, and the page that follows."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.driving import PHONE, served
from tests.browser.test_accessible import serious, visitor
from tests.slow_clock import write_slow_crew

pytestmark = pytest.mark.browser


@pytest.mark.long  # tests/dashboard/uploads/test_clocks_card.py sets one without a browser
def test_a_shift_is_set_on_a_phone_and_the_page_follows(browser: Browser, tmp_path: Path) -> None:
    write_slow_crew(tmp_path)
    with served(tmp_path) as address, visitor(browser, address, "phone", "light") as watched:
        watched.open("/nowhere")
        page = watched.go("/records")
        card = page.locator(".clocks")
        expect(card.locator(".main-svg").first).to_be_visible()
        expect(card).to_contain_text("Most likely it should all be 7 h later")
        assert serious(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        card.get_by_role("button", name="Set the shift").click()
        expect(card).to_contain_text("Say who you are first")
        page.get_by_label("Your name").fill("Birch")
        card.get_by_label("How it is known").fill("the site clock")
        card.get_by_role("button", name="Set the shift").click()
        expect(card).to_contain_text("Shifts in force", timeout=120_000)
        expect(card.locator(".wrong-clock")).to_have_count(0, timeout=120_000)
        expect(card).to_contain_text("Birch")
        assert serious(page) == []
        assert watched.troubles == []
