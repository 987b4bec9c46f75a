"""A technician at the splicer writes something down by thumb, on a phone 390 px wide."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.driving import PHONE, WIDE, Watched, served
from tests.dashboard.invented import write_crew

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve a crew of its own, because what is written down outdates the results."""
    with served(write_crew(tmp_path_factory.mktemp("written"))) as where:
        yield where


@pytest.fixture
def watched(browser: Browser, server: str) -> Iterator[Watched]:
    watched = Watched(browser.new_context(viewport=PHONE), server)
    watched.open("/splicer?splicer=Kestrel")
    yield watched
    watched.page.context.close()
    assert watched.troubles == []


def verdict(page: Page) -> str:
    return page.locator("#page .verdict-line").inner_text()


def in_sight(page: Page, words: str) -> bool:
    box = page.get_by_text(words).first.bounding_box()
    return bool(box and box["y"] > 56 and box["y"] + box["height"] < PHONE["height"] - 60)


def test_a_check_is_logged_by_thumb_and_undone(watched):
    page = watched.page
    assert "Run the daily check" in verdict(page)
    page.get_by_text("Log a check").click()
    for target in page.locator(".written-forms summary, .written-forms button").all():
        if box := target.bounding_box():
            assert box["height"] >= 44
    setting = page.get_by_label("Arc setting it stored, steps")
    setting.press("Enter")
    expect(page.get_by_text("arc_setting is missing on a passed check")).to_be_visible()
    expect(page.get_by_text("Say who writes it down.").first).to_be_visible()
    page.get_by_label("Your name").fill("Robin")
    setting.fill("12,5")
    setting.press("Enter")
    expect(page.locator(".written-told")).to_contain_text("Verdict: keep working.")
    expect(page.locator("#page .verdict-line")).to_contain_text("Keep working")
    expect(page.get_by_text("by Robin; written by hand")).to_be_visible()
    watched.settle()
    page.wait_for_function(
        "() => document.querySelector('.written-told').getBoundingClientRect().top > 56"
    )
    assert in_sight(page, "Verdict: keep working.")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.locator(".written-told button").click()
    expect(page.locator(".written-told")).to_contain_text("Undone: Kestrel: check passed")
    expect(page.locator("#page .verdict-line")).to_contain_text("Run the daily check")
    watched.open("/splicer?splicer=Heron")
    expect(page.get_by_label("Your name")).to_have_value("Robin")  # remembered


@pytest.mark.long
@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["phone", "wide"])
def test_service_and_remarks_are_logged_with_their_cautions(watched, size):
    page = watched.page
    page.set_viewport_size(size)
    page.get_by_label("Your name").fill("Robin")
    page.get_by_text("Log a service").click()
    expect(page.locator(".written-forms details[open] .hint")).to_contain_text("high voltage")
    page.get_by_role("textbox", name="What was done").click()
    page.get_by_role("option", name="Kestrel: electrodes replaced").click()
    page.locator(".written-forms details[open] button.primary").click()
    expect(page.locator(".written-told")).to_contain_text("Service logged for Kestrel")
    watched.settle()
    page.get_by_text("Write a remark").click()
    page.get_by_label("What is worth remembering").fill("fell off the truck")
    page.get_by_label("What is worth remembering").press("Enter")
    expect(page.get_by_text("“fell off the truck”")).to_be_visible()
    watched.settle()
    for _ in range(2):
        before = page.locator(".written-entry").count()
        page.locator(".written-entry button").first.click()
        expect(page.locator(".written-entry")).to_have_count(before - 1)
        watched.settle()


@pytest.mark.long
def test_a_time_that_cannot_be_is_told_beside_its_field(watched):
    page = watched.page
    page.get_by_label("Your name").fill("Robin")
    page.get_by_text("Log a check").click()
    page.get_by_label("Arc setting it stored, steps").fill("12")
    when = page.locator(".written-forms details[open]").get_by_label("When")
    when.fill("2099-01-01 07:30")
    when.press("Enter")
    expect(page.get_by_text("is more than a day ahead; check the clock.")).to_be_visible()
    assert page.locator(".written-told").count() == 0
