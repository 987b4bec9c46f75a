"""A case is taken on, worked on and closed by thumb, on a phone 390 px wide."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.driving import PHONE, WIDE, Watched, served
from tests.dashboard.invented import findings
from tests.dashboard.pages.invented_cases import CHECKS, HAND, HOSTILE, LOSS, crew_with_cases, say

pytestmark = pytest.mark.browser

PREVIOUS_VISIT = """([hours, visitor]) => localStorage.setItem('arcdrift-visits|' + visitor,
    JSON.stringify({last: Date.now() - hours * 3600 * 1000}))"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A crew of its own, because what is said here changes it."""
    made = tmp_path_factory.mktemp("cases")
    crew_with_cases(made)
    return made


@pytest.fixture(scope="module")
def server(folder: Path) -> Iterator[str]:
    with served(folder) as where:
        yield where


@pytest.fixture
def watched(browser: Browser, server: str) -> Iterator[Watched]:
    watched = Watched(browser.new_context(viewport=PHONE), server)
    yield watched
    watched.page.context.close()
    assert watched.troubles == []


def test_a_case_is_taken_on_done_and_waits_for_its_result(watched: Watched) -> None:
    page = watched.open("/cases")
    # the first screen says what needs somebody now
    first = page.get_by_role("link", name="Kestrel, single-mode fixed: loss up 60 %")
    box = first.bounding_box()
    assert box
    assert box["y"] + box["height"] < PHONE["height"] - 60
    first.click()
    take = page.get_by_role("button", name="I take this on")
    expect(take).to_be_visible()
    watched.settle()
    for target in page.locator(".case-forms > button, .case-forms summary").all():
        size = target.bounding_box()
        assert size
        assert size["height"] >= 44
        assert size["width"] > 0.8 * PHONE["width"]
    take.click()
    expect(page.get_by_text("Say who you are.")).to_be_visible()
    name = page.get_by_label("Your name")
    expect(name).to_be_focused()  # where it has to be mended
    name.fill("Robin")
    take.click()
    expect(page.locator(".case-told")).to_contain_text("You have taken it on.")
    expect(page.locator(".case-told")).to_be_focused()
    expect(page.get_by_text("Taken on by Robin on")).to_be_visible()
    watched.settle()
    done = page.locator(".form-done summary")
    done.press("Enter")
    expect(page.get_by_role("textbox", name="What was done")).to_be_focused()
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")  # the first one closes the list of choices
    expect(done).to_be_focused()
    done.press("Space")
    page.get_by_role("textbox", name="What was done").click()
    page.get_by_role("option", name="v-grooves cleaned").click()
    page.get_by_role("button", name="The work is done").click()
    expect(page.locator(".case-told")).to_contain_text("Noted.")
    expect(page.get_by_text("Waiting for the result of: v-grooves cleaned.")).to_be_visible()
    expect(page.get_by_text("Wait for the result: 5 more workdays.")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    watched.go("/splicer?splicer=Kestrel")
    expect(page.get_by_label("Your name")).to_have_value("Robin")  # one name on every page


@pytest.mark.long
def test_somebody_else_was_faster_and_nothing_typed_is_lost(watched: Watched, folder: Path) -> None:
    page = watched.open(f"/cases/{CHECKS}")
    page.get_by_label("Your name").fill("Robin")
    page.locator(".form-close summary").click()
    page.get_by_label("It is not a fault").check()
    page.get_by_label("The reason, in your words").fill("holiday")
    say(folder, CHECKS, "take", HOSTILE[:60])
    page.get_by_role("button", name="Close the case").click()
    told = page.locator(".case-told")
    expect(told).to_contain_text(f"Meanwhile {HOSTILE[:60]} took it on")
    watched.settle()
    expect(page.get_by_label("The reason, in your words")).to_have_value("holiday")
    expect(page.get_by_label("It is not a fault")).to_be_checked()
    assert page.locator("img[src='x']").count() == 0
    page.get_by_role("button", name="Close the case").click()
    expect(told).to_contain_text("Closed: not a fault.")
    expect(page.get_by_text("Closed by Robin on")).to_be_visible()
    watched.settle()
    page.locator(".form-reopen summary").click()
    page.get_by_role("button", name="Open it again").click()
    expect(told).to_contain_text("Open again.")


@pytest.mark.long
@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["phone", "wide"])
def test_a_splice_is_ticked_off_and_put_back(watched: Watched, size: dict[str, int]) -> None:
    watched.page.set_viewport_size(size)
    page = watched.open("/cases/revisit")
    page.get_by_role("button", name="Tick off K1/1/2").click()
    expect(page.get_by_text("Say who you are.")).to_be_visible()
    page.get_by_label("Your name").fill("Robin")
    page.get_by_role("button", name="Tick off K1/1/2").click()
    expect(page.locator(".case-told")).to_contain_text("K1/1/2 is ticked off by Robin.")
    expect(page.get_by_role("button", name="Tick off K1/1/2")).to_have_count(0)
    watched.settle()
    page.get_by_role("button", name="Put it back").click()
    expect(page.locator(".case-told")).to_contain_text("K1/1/2 is on the list again.")
    expect(page.get_by_role("button", name="Tick off K1/1/2")).to_be_visible()
    watched.settle()


@pytest.mark.long
@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["phone", "wide"])
def test_what_is_new_since_the_last_visit_is_a_word(watched: Watched, size: dict[str, int]) -> None:
    watched.page.set_viewport_size(size)
    page = watched.open("/cases")
    assert page.locator(".new-since").inner_text() == ""  # a first visit
    page.evaluate(PREVIOUS_VISIT, [30 * 24, "Harbor crew|"])
    watched.open("/cases")
    expect(page.locator(".new-since")).to_contain_text(re.compile("new cases?.* since "))
    expect(page.locator(".new-mark").first).to_have_text("new to you")
    watched.open("/")  # the same visit still
    expect(page.locator(".new-since")).to_contain_text(re.compile("new cases?.* since "))
    page.evaluate(PREVIOUS_VISIT, [1, "Harbor crew|"])
    watched.open("/cases")
    assert page.locator(".new-since").inner_text() == ""  # an hour ago is no previous visit


@pytest.mark.long
@pytest.mark.parametrize("path", ["/cases", f"/cases/{LOSS}", f"/cases/{HAND}", "/cases/revisit"])
def test_the_pages_fit_wide_and_narrow(watched: Watched, path: str) -> None:
    for size in (PHONE, WIDE):
        watched.page.set_viewport_size(size)
        page = watched.open(path)
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_the_keyboard_goes_from_case_to_case_and_opens_one(browser: Browser, server: str) -> None:
    watched = Watched(browser.new_context(viewport=WIDE), server)
    page = watched.open("/cases")
    titles = page.locator("#page .case-list .case-title")
    page.keyboard.press("ArrowDown")  # scrolls, as long as nobody has gone to a case
    assert page.evaluate("() => document.activeElement.className") != "case-title"
    page.keyboard.press("j")
    expect(titles.nth(0)).to_be_focused()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("j")
    page.keyboard.press("k")
    expect(titles.nth(1)).to_be_focused()
    page.keyboard.press("Enter")
    page.wait_for_url("**/cases/*")
    watched.settle()
    page.keyboard.press("j")
    page.wait_for_function("() => document.activeElement.closest('.case-forms')")
    watched.page.context.close()
    assert watched.troubles == []


def test_an_address_that_asks_for_one_finding_shows_it(browser: Browser, server: str) -> None:
    watched = Watched(browser.new_context(viewport=PHONE), server)
    page = watched.open("/cases")
    page = watched.go(f"/cases/{findings()[0].id}")
    chosen = page.locator(".chosen-finding")
    expect(chosen).to_be_in_viewport()
    expect(chosen.get_by_role("heading", name="Likely causes")).to_be_visible()
    watched.page.context.close()
    assert watched.troubles == []
