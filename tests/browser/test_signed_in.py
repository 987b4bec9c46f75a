"""Signing in with a phone, and the splicer's page that it keeps for places without signal."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from arcdrift.store.accounts.user_accounts import remove_user
from arcdrift.store.database.connect import open_store
from tests.browser.driving import PHONE, WIDE, Watched, served
from tests.dashboard.access.conftest import add_users
from tests.dashboard.access.signing_in import PASSWORD
from tests.dashboard.invented import write_crew

pytestmark = pytest.mark.browser

KEPT = "() => document.documentElement.dataset.kept === 'yes'"
WORKER = "() => navigator.serviceWorker.ready.then(() => !!navigator.serviceWorker.controller)"
FITS = "() => document.documentElement.scrollWidth <= window.innerWidth"
EMPTY = "() => caches.keys().then((names) => names.length === 0)"


@pytest.fixture(scope="module")
def crew(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_crew(tmp_path_factory.mktemp("phone"))
    add_users(folder, {"Visitor": ("lead", None)})
    return folder


@pytest.fixture(scope="module")
def signed_address(crew: Path) -> Iterator[str]:
    with served(crew, sign_in=True) as where:
        yield where


@pytest.fixture
def phone(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport=PHONE)
    yield context
    context.close()


def sign_in(page: Page, address: str, name: str, path: str = "/") -> None:
    page.goto(address + path)
    page.get_by_label("Your name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


def test_signing_in_and_out_with_a_phone(phone: BrowserContext, signed_address: str):
    watched = Watched(phone, signed_address)
    page = watched.page
    page.goto(signed_address + "/splicer?splicer=Kestrel")
    expect(page.get_by_role("heading", name="Sign in to")).to_be_visible()
    assert page.evaluate(FITS)
    page.get_by_label("Your name").fill("birch@work")
    page.get_by_label("Password").fill("wrong wrong wrong")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_have_text(
        "This name and password do not belong together. Try again."
    )
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    watched.settle()
    assert page.url == signed_address + "/splicer?splicer=Kestrel"
    page.get_by_title("Your sign-in").click()
    expect(page.get_by_text("Technician: you see the splicers")).to_be_visible()
    expect(page.get_by_role("link", name="Alarm budget")).to_have_count(0)
    assert page.evaluate(FITS)
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", name="Sign in to")).to_be_visible()
    page.goto(signed_address + "/checks")
    expect(page.get_by_role("heading", name="Sign in to")).to_be_visible()
    refused = f"401: {signed_address}/sign-in"
    told = "console: Failed to load resource: the server responded with a status of 401"
    assert [trouble for trouble in watched.troubles
            if trouble != refused and not trouble.startswith(told)] == []  # fmt: skip


def test_the_last_verdict_is_read_without_signal_and_forgotten_at_sign_out(
    phone: BrowserContext, signed_address: str
):
    page = phone.new_page()
    sign_in(page, signed_address, "birch@work", "/pocket")
    expect(page.get_by_role("heading", name="Kestrel")).to_be_visible()
    page.wait_for_function(KEPT)
    assert page.evaluate(WORKER)
    verdict = page.locator(".lead").first.inner_text()
    phone.set_offline(True)
    page.goto(signed_address + "/")  # whatever is opened, the kept page comes
    expect(page.get_by_role("heading", name="Kestrel")).to_be_visible()
    expect(page.locator(".lead").first).to_have_text(verdict)
    expect(page.locator(".pocket-age")).to_contain_text("just now. No signal")
    assert (
        page.locator(".pocket-age").evaluate("line => getComputedStyle(line).backgroundColor")
        != "rgba(0, 0, 0, 0)"
    )  # the style sheet is kept, too
    assert page.evaluate(FITS)
    # much later
    page.clock.install()
    page.clock.fast_forward("05:00:00")
    page.reload()
    expect(page.locator(".pocket-age")).to_contain_text("h ago. No signal")
    phone.set_offline(False)
    page.goto(signed_address + "/")
    page.get_by_title("Your sign-in").click()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", name="Sign in to")).to_be_visible()
    page.wait_for_function(EMPTY)
    phone.set_offline(True)
    other = phone.new_page()
    try:
        other.goto(signed_address + "/pocket")
        expect(other.get_by_text("Nothing is kept on this phone.")).to_be_visible()
        expect(other.get_by_text("Kestrel")).to_have_count(0)
    except Exception as gone:  # the worker itself was cleared: the browser's own error page
        assert "ERR_INTERNET_DISCONNECTED" in str(gone)  # noqa: PT017 - either is right


def test_a_removed_user_is_led_to_the_sign_in_and_their_page_is_gone(
    browser: Browser, signed_address: str, crew: Path
):
    context = browser.new_context(viewport=WIDE)
    watched = Watched(context, signed_address)
    page = watched.page
    sign_in(page, signed_address, "Visitor")
    watched.settle()
    expect(page.get_by_alt_text("The address of this dashboard as a QR code")).to_be_visible()
    page.wait_for_function(KEPT)
    engine = open_store(crew)
    remove_user(engine, "Visitor")
    engine.dispose()
    page.get_by_role("link", name="Checks").locator("visible=true").first.click()
    expect(page.get_by_role("heading", name="Sign in to")).to_be_visible()
    assert page.url == signed_address + "/sign-in?next=%2Fchecks"
    page.wait_for_function(EMPTY)
    context.close()
