"""The pages as a person meets them, wide and on a phone."""

import os
import re
from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, expect

from dashboard import pages
from tests.browser.driving import FOLLOW, PHONE, WIDE, Watched

pytestmark = pytest.mark.browser

PAGES = {
    "/": ["must stop and check", "Bad splices today", "New since your last visit"],
    "/week": ["Week 23", "Nothing is on record for a case"],
    "/loss": ["The crew: 0.035 dB a splice", "the largest rise first", "All 3 as a table"],
    "/loss?splicer=Kestrel&program=single-mode+fixed": ["Loss of each day", "1,200 splices"],
    "/splicer?splicer=Heron": [
        "Keep working",
        "Setting follows air and wear",
        "How the arc was judged",
    ],
    "/checks": [
        "Unchecked now: stop and check",
        "Day by day",
        "Checked in time on",
        "In time, by technician",
        "3 workdays not checked in time",
    ],
    "/coaching": ["2 people to see this week", "Who shared splicers with whom", "not for pay"],
    "/person?technician=Birch": [
        "Evenness of cleave angles",
        "What to work on",
        "Coaching log",
    ],
    "/person?technician=Birch&show=1": ["Birch: your work", "What to practice"],
    "/upkeep": ["Due within 4 weeks", "Before you touch anything"],
    "/cases": ["No case is open", "Notes (3): not part of a listed case"],
    "/loss?subject=technician:Birch": ["Loss, day by day", "not for pay"],
    "/budget": ["when nothing is wrong", "The price of several budgets", "you had"],
    "/nowhere": ["No such page"],
}
EVERYDAY = (
    "/",
    "/loss?splicer=Kestrel&program=single-mode+fixed",
    "/checks",
    "/coaching",
    "/nowhere",
)
"""Pages visited outside the long form: one of each build, those that no other test opens among
them."""
FITS = "() => document.documentElement.scrollWidth <= window.innerWidth"


@pytest.fixture(scope="module")
def familiar(browser: Browser, address: str) -> Iterator[Watched]:
    """Yield one page that stays open: going on inside it spares loading all scripts again."""
    watched = Watched(browser.new_context(), address)
    watched.open("/nowhere")
    yield watched
    watched.page.context.close()


@pytest.fixture
def session(browser: Browser, familiar: Watched, address: str) -> Iterator[Callable[..., Watched]]:
    """Hand out pages that must end without any trouble; a stranger comes with a new browser."""
    out: list[Watched] = []

    def start(size: dict[str, int], *, stranger: bool = False) -> Watched:
        watched = Watched(browser.new_context(), address) if stranger else familiar
        watched.page.set_viewport_size(size)
        if not stranger:
            watched.troubles.clear()
            watched.go("/nowhere")
        out.append(watched)
        return watched

    yield start
    for watched in out:
        if watched is not familiar:
            watched.page.context.close()
    assert [trouble for watched in out for trouble in watched.troubles] == []


@pytest.mark.parametrize(
    ("size", "other"),
    [
        pytest.param(PHONE, WIDE, id="phone"),
        pytest.param(WIDE, PHONE, id="wide", marks=pytest.mark.long),
    ],
)
def test_every_page_stands_without_trouble(session, size, other):
    """On one kind of screen, and fits the other one once it is turned into that."""
    watched = session(size)
    long = os.environ.get("ARCDRIFT_LONG") == "1"
    for path, texts in PAGES.items():
        if not long and path not in EVERYDAY:
            continue
        watched.page.set_viewport_size(size)
        page = watched.go(path)
        for words in texts:
            expect(page.get_by_text(words).locator("visible=true").first).to_be_visible()
        expect(page.get_by_text("invented data")).to_be_visible()
        expect(page).to_have_title(re.compile("arcdrift$"))
        assert page.evaluate(FITS), f"{path} is wider than the screen"
        page.set_viewport_size(other)
        page.wait_for_function(FITS)  # charts follow a moment later


def test_the_verdict_is_on_a_phones_first_screen(session):
    page = session(PHONE).go("/splicer?splicer=Kestrel")
    for words in ("Run the daily check", "20 splices made since 10:00 without a check."):
        found = page.get_by_text(words, exact=True).first
        expect(found).to_be_visible()
        box = found.bounding_box()
        assert box["y"] + box["height"] < PHONE["height"] - 60  # above the tabs


@pytest.mark.parametrize(
    "query",
    [
        pytest.param("splicer=Heron", marks=pytest.mark.long),
        pytest.param("splicer=Kestrel", marks=pytest.mark.long),
        "splicer=Heron&temperature=26&humidity=95",
    ],
)
def test_advice_is_read_on_a_phone_without_scrolling(session, query):
    page = session(PHONE).go(f"/splicer?{query}")
    card = page.locator(".card.advice")
    for part in (".verdict-line", ".lead", ".gauge, .gauge-line"):
        for seen in card.locator(f":scope > :is({part})").all():
            expect(seen).to_be_visible()
            box = seen.bounding_box()
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= PHONE["width"]
            assert box["y"] >= 56  # below the header
            assert box["y"] + box["height"] <= PHONE["height"] - 60  # above the tabs
    assert card.locator(".gauge, .gauge-line").count() == 1
    assert page.evaluate("window.scrollY") == 0


@pytest.mark.parametrize(
    ("size", "more"),
    [
        pytest.param(WIDE, 0, id="wide", marks=pytest.mark.long),
        pytest.param(PHONE, 150, id="phone"),
    ],
)
def test_charts_are_as_high_as_they_say(session, size, more):
    page = session(size).go("/splicer?splicer=Heron")
    heights = page.evaluate(
        """() => [...document.querySelectorAll('.chart')].map(frame => [
            parseFloat(frame.style.getPropertyValue('--chart-height')),
            frame.classList.contains('chart-over-time'),
            frame.querySelector('.main-svg').getBoundingClientRect().height])"""
    )
    assert len({said for said, _, _ in heights}) > 1
    for said, over_time, drawn in heights:
        assert drawn == pytest.approx(said + (more if over_time else 0), abs=1)


def test_a_month_of_checks_fits_a_desk(session):
    page = session(WIDE).go("/checks")
    frame = page.locator(".calendar")
    expect(page.locator(".calendar .day-heads th")).to_have_count(1 + 31)
    assert frame.evaluate("part => part.scrollWidth - part.clientWidth") <= 0


@pytest.mark.long
def test_a_phone_sees_the_newest_days_of_the_calendar_first(session):
    page = session(PHONE).go("/checks")
    last = page.locator(".calendar .day-heads th").last
    expect(last).to_have_text("13")
    frame = page.locator(".calendar")
    right = "part => part.getBoundingClientRect().right"
    assert last.evaluate(right) <= frame.evaluate(right) + 1
    assert page.evaluate(FITS)


def test_effects_and_streams_fit_a_phone(session):
    watched = session(PHONE)
    page = watched.go("/splicer?splicer=Heron")
    page.get_by_text("How the arc was judged").click()
    chart = page.locator(".chart").last
    expect(chart.locator(".xtitle").first).to_be_visible()
    edges = chart.bounding_box()
    for words in chart.locator(".annotation-text, .xtitle").all():
        box = words.bounding_box()
        assert box["x"] >= edges["x"]
        assert box["x"] + box["width"] <= edges["x"] + edges["width"]
    assert page.evaluate(FITS)
    watched.go("/loss")
    assert page.evaluate(FITS)
    page.get_by_text("All 3 as a table").click()
    line = page.locator(".phone-only .finding-link").filter(has_text="Kestrel / single-mode fixed")
    expect(line.get_by_text("Loss has risen")).to_be_visible()


def test_from_a_finding_to_its_splicer(session):
    watched = session(WIDE)
    page = watched.go("/cases")
    page.get_by_text("Notes (3)").click()
    page.get_by_role("link", name="Kestrel, single-mode fixed: loss has risen").click()
    page.wait_for_url("**/cases/*")
    watched.settle()
    expect(page.get_by_text("Arc check missed", exact=True)).to_be_visible()
    page.get_by_role("link", name="Open Kestrel").click()
    page.wait_for_url("**/splicer?splicer=Kestrel")
    watched.settle()
    expect(page.get_by_role("heading", name="Kestrel", exact=True)).to_be_visible()
    page.go_back()
    watched.settle()
    expect(page.get_by_text("Arc check missed", exact=True)).to_be_visible()


@pytest.mark.long
def test_from_the_crew_to_one_stream_and_one_day(session):
    watched = session(WIDE)
    page = watched.go("/loss")
    page.get_by_role("link", name="Kestrel single-mode fixed").click()
    page.wait_for_url("**/loss?splicer=Kestrel&program=single-mode+fixed")
    watched.settle()
    expect(page.get_by_role("heading", name="1,200 splices")).to_be_visible()
    page.locator(".scatterlayer .trace", has=page.locator("path.point")).locator("path.point").nth(
        30
    ).click(force=True)
    page.wait_for_url("**day=2025-*")
    watched.settle()
    expect(page.get_by_role("heading", name="20 splices on")).to_be_visible()


@pytest.mark.long
def test_from_coaching_to_a_person_and_another_share(session):
    watched = session(PHONE)
    page = watched.go("/coaching")
    page.locator(".topic-card").get_by_role("link", name="Birch").click()
    page.wait_for_url("**/person?technician=Birch")
    watched.settle()
    expect(page.get_by_role("heading", name="Birch", exact=True)).to_be_visible()
    watched.go("/coaching?share=bad")
    expect(page.get_by_text("Bad cleaves: none on record")).to_be_visible()


@pytest.mark.long
def test_a_filter_goes_to_the_address_and_keeps_the_keyboard(session):
    watched = session(WIDE)
    page = watched.go("/checks")
    page.locator(".case-filters summary").click()
    page.get_by_text("90 days").click()
    page.wait_for_url("**/checks?period=90")
    watched.settle()
    page.wait_for_function("() => document.activeElement.value === '90'")
    page.reload()
    watched.settle()
    expect(page.get_by_role("radio", name="90 days")).to_be_checked()


def test_steps_of_temperature_answer_beside_the_fields_and_keep_the_keyboard(session):
    watched = session(PHONE)
    page = watched.go("/splicer?splicer=Heron")
    before = page.locator("#page .advice .verdict-line").inner_text()
    warmer = page.get_by_role("button", name="One degree warmer")
    warmer.focus()
    for _ in range(16):
        page.keyboard.press("Enter")
    page.wait_for_url("**temperature=*")
    watched.settle()
    answer = page.locator(".supposed-answer")
    expect(answer).to_contain_text("supposed")
    expect(answer).to_contain_text("Air supposed: 34 °C")
    assert page.locator("#page .advice .verdict-line").inner_text() == before
    expect(warmer).to_be_focused()


@pytest.mark.parametrize("path", ["/?mine=Kestrel", "/splicer?splicer=Kestrel"])
def test_the_verdict_stands_in_the_first_screen_of_a_phone(session, path):
    watched = session(PHONE)
    page = watched.go(path)
    tabs = page.locator(".tabs").bounding_box()
    for what in (".verdict-line", ".go"):
        box = page.locator(f"#page {what}").first.bounding_box()
        assert box["y"] >= 56
        assert box["y"] + box["height"] <= tabs["y"] <= 844
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= 390
    assert page.locator("#page .go").first.bounding_box()["height"] >= 44
    assert page.evaluate(FITS)


def test_the_sheet_of_more_pages_opens_and_closes_by_keyboard(session):
    watched = session(PHONE)
    page = watched.go("/")
    more = page.locator(".more-tabs summary")
    more.focus()
    page.keyboard.press("Enter")
    link = page.locator(".sheet-link", has_text="Upkeep")
    expect(link).to_be_visible()
    assert link.bounding_box()["height"] >= 44
    page.keyboard.press("Escape")
    expect(link).to_be_hidden()
    expect(more).to_be_focused()
    page.keyboard.press("Space")
    link.click()
    page.wait_for_url("**/upkeep")
    watched.settle()
    expect(page.locator(".tab-sheet")).to_be_hidden()


def test_back_returns_to_the_place_and_the_link(session):
    watched = session(PHONE)
    page = watched.go("/")
    page.evaluate("() => window.scrollTo(0, 120)")
    page.wait_for_timeout(100)
    link = page.locator(".tile-name", has_text="Heron")
    link.focus()
    place = page.evaluate("() => window.scrollY")
    page.keyboard.press("Enter")
    page.wait_for_url("**/splicer?splicer=Heron")
    watched.settle()
    page.go_back()
    watched.settle()
    expect(link).to_be_focused()
    page.wait_for_function(f"() => Math.abs(window.scrollY - {place}) < 3")


@pytest.mark.long
def test_a_budget_is_tried_out_and_a_mark_without_a_reason_refused(session):
    watched = session(WIDE)
    page = watched.go("/budget")
    thumb = page.get_by_role("slider")
    thumb.focus()
    for _ in range(6):
        thumb.press("ArrowRight")
    page.wait_for_url("**/budget?budget=5")
    watched.settle()
    expect(page.get_by_text("With 5 a month you would have had")).to_be_visible()
    expect(page.get_by_role("button", name="Save 5 a month")).to_be_enabled()
    watched.go("/budget?budget=0")
    expect(page.get_by_text("A budget is a number from 0.01")).to_be_visible()
    expect(page.get_by_role("button", name="Nothing to save")).to_be_disabled()
    watched.go("/loss?splicer=Kestrel&program=single-mode+fixed")
    page.get_by_text("Leave days out, or freeze the usual level").click()
    page.get_by_label("First day").fill("2025-06-02")
    page.get_by_role("textbox", name="Last day").fill("2025-06-03")
    page.get_by_role("button", name="Write it down").click()
    expect(page.get_by_text("Say why and who")).to_be_visible()


@pytest.mark.long
def test_a_coaching_note_is_refused_then_written_and_taken_back(session):
    watched = session(PHONE)
    page = watched.go("/person?technician=Birch")
    page.get_by_text("Note a session").click()
    page.get_by_label("Topic, such as cleaving").fill("clamp closed gently")
    page.get_by_role("button", name="Write it down").click()
    expect(page.get_by_text("Say what was gone through, and your name.")).to_be_visible()
    page.get_by_label("Your name").fill("Lead")
    page.get_by_role("button", name="Write it down").click()
    expect(page.get_by_text("13 Jun 2025, Lead")).to_be_visible()
    page.get_by_role("button", name="Take back the note").click()
    expect(page.get_by_text("Nothing is noted yet.")).to_be_visible()


@pytest.mark.long
def test_dark_is_remembered(session):
    watched = session(WIDE, stranger=True)
    page = watched.open("/checks")
    page.get_by_role("button", name="Switch between light and dark").click()
    scheme = "document.documentElement.dataset.mantineColorScheme"
    page.wait_for_function(f"() => {scheme} === 'dark'")
    page.reload()
    watched.settle()
    page.wait_for_function(f"() => {scheme} === 'dark'")


@pytest.mark.long
def test_two_sessions_look_at_their_own_splicers(session):
    one, other = session(WIDE), session(WIDE, stranger=True)
    first = one.go("/splicer?splicer=Heron")
    second = other.open("/splicer?splicer=Plover")
    first.get_by_text("90 days").click()
    first.wait_for_url("**period=90*")
    one.settle()
    expect(first.get_by_role("heading", name="Heron", exact=True)).to_be_visible()
    expect(second.get_by_role("heading", name="Plover", exact=True)).to_be_visible()
    expect(second).to_have_url(re.compile(r"/splicer\?splicer=Plover$"))


@pytest.mark.long  # tests/dashboard/test_serving.py downloads every table
def test_the_table_behind_a_chart_downloads(session):
    watched = session(WIDE)
    page = watched.go("/checks")
    with page.expect_download() as waiting:
        page.get_by_role("link", name="Download In time, by splicer as CSV").click()
    text = waiting.value.path().read_text(encoding="utf-8")
    assert text.startswith("splicer,days,checked,late,failed-only,missed,share,low,high,note")
    watched.troubles.clear()  # a download shows as a request that did not become a page


def test_a_failing_page_shows_a_reference_and_no_traceback(session, monkeypatch):
    def broken(_view):
        raise RuntimeError("inner detail")

    monkeypatch.setitem(pages.PAGES, "/checks", broken)
    watched = session(WIDE)
    page = watched.page
    page.evaluate(FOLLOW, "/checks")
    expect(page.get_by_text("Something went wrong here, reference")).to_be_visible()
    assert "inner detail" not in page.content()
    page.get_by_role("link", name="Cases").first.click()
    watched.settle()
    expect(page.get_by_text("No case is open")).to_be_visible()
    expect(page.get_by_text("Something went wrong here")).to_have_count(0)
