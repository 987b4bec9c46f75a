"""A new user, from an empty folder to the first verdict on files of their own."""

import os
import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from arcdrift.cli.main import run
from arcdrift.settings import load_crew
from arcdrift.verdicts import VERDICTS
from dashboard.app import UPLOADS
from tests.browser.driving import PHONE, WIDE, Watched, served_app

pytestmark = pytest.mark.browser

MOST_SECONDS = 300
"""From nothing to the first verdict."""
ZONE = "Europe/Oslo"
WORKDAYS = 15


def own_files(folder: Path) -> list[Path]:
    """Write the logs of an invented crew's last three weeks: two splicers at a depot."""
    draws = np.random.default_rng(20260504)
    here = datetime.now(UTC).astimezone(ZoneInfo(ZONE)).replace(minute=0, second=0, microsecond=0)
    checks = ["splicer,checked_at,outcome,arc_setting,arc_count,site,temperature_c"]
    splices = ["splicer,spliced_at,loss_db,outcome,technician,program,site"]
    for splicer, setting in (("S-01", 100), ("S-02", 112)):
        arcs = 1200
        for ago in range(WORKDAYS, 0, -1):
            day = here - timedelta(days=ago)
            arcs += 30
            stored = setting + draws.normal(0, 1)
            checks.append(
                f"{splicer},{day.replace(hour=7):%Y-%m-%d %H:%M},pass,{stored:.0f},{arcs},Depot,18"
            )
            for number, loss in enumerate(draws.gamma(4, 0.006, 12)):
                at = day.replace(hour=8) + timedelta(minutes=20 * number)
                splices.append(
                    f"{splicer},{at:%Y-%m-%d %H:%M},{loss:.3f},done,Robin,single-mode,Depot"
                )
    written = []
    for name, lines in (("checks.csv", checks), ("splices.csv", splices)):
        path = folder / name
        path.write_text("\n".join([*lines, ""]), encoding="utf-8")
        written.append(path)
    return written


@pytest.fixture
def started(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, Path, float]]:
    """An empty folder becomes a crew that is served: its address, and when all of it began."""
    began = time.monotonic()
    folder = tmp_path / "north"
    monkeypatch.setattr("sys.argv", ["arcdrift", "init", str(folder), "--yes"])
    with pytest.raises(SystemExit) as left:
        run()
    assert left.value.code == 0
    with served_app(folder) as (address, app):
        yield address, folder, began
        app.server.extensions[UPLOADS].close()


def picture(page: Page, name: str) -> None:
    """Keep a picture of the page where somebody wants to look at it."""
    if place := os.environ.get("ARCDRIFT_PICTURES"):
        page.screenshot(path=Path(place) / f"{name}.png", full_page=True)


def fits(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


@pytest.mark.parametrize(
    "size", [WIDE, pytest.param(PHONE, marks=pytest.mark.long)], ids=["wide", "phone"]
)
def test_from_nothing_to_the_first_verdict(
    browser: Browser, started: tuple[str, Path, float], tmp_path: Path, size: dict[str, int]
) -> None:
    address, folder, began = started
    form = "wide" if size is WIDE else "phone"
    watched = Watched(browser.new_context(viewport=size, timezone_id=ZONE), address)
    page = watched.open("/")
    page.get_by_role("link", name="Add files").click()
    watched.settle()
    expect(page.locator(".step-now")).to_contain_text("Set up")
    zone = page.get_by_role("textbox", name="Time zone")
    expect(zone).to_have_value(ZONE)  # suggested by the browser
    picture(page, f"set-up-{form}")
    assert fits(page)
    page.get_by_label("Name of the crew").fill("Our crew")
    page.get_by_label("Site", exact=True).fill("Depot")
    page.get_by_label("Elevation in m").fill("high")
    page.get_by_label("Splicer", exact=True).fill("S-01")
    page.get_by_role("button", name="Add a splicer").click()
    expect(page.get_by_label("Splicer", exact=True)).to_have_count(2)
    page.get_by_label("Splicer", exact=True).nth(1).fill("S-02")
    for number in range(2):
        page.get_by_label("Home site").nth(number).fill("Depot")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_text("'high' is no height above the sea")).to_be_visible()
    picture(page, f"refused-{form}")
    page.get_by_label("Elevation in m").fill("120")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator(".step-now")).to_contain_text("Add files")
    expect(page.locator(".setup-fold summary")).to_contain_text(
        f"Our crew, {ZONE}, 1 site, 2 splicers"
    )
    crew = load_crew(folder)
    assert crew.sites["Depot"].elevation_m == 120
    assert {each.home_site for each in crew.splicers.values()} == {"Depot"}
    picture(page, f"add-files-{form}")
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files(own_files(tmp_path))
    link = page.get_by_role("link", name="open the Shift page")
    expect(link).to_be_visible(timeout=MOST_SECONDS * 1000)
    watched.settle()
    picture(page, f"imported-{form}")
    assert fits(page)
    link.click()
    watched.settle()
    board = page.locator("#page")
    expect(board).to_contain_text("S-01")
    shorts = re.compile("|".join(re.escape(each.short) for each in VERDICTS.values()))
    for tile in board.locator(".tile-verdict").all():
        expect(tile).to_have_text(shorts, timeout=MOST_SECONDS * 1000)
    assert board.locator(".tile-verdict").count() == 2
    seconds = time.monotonic() - began
    picture(page, f"verdict-{form}")
    assert seconds < MOST_SECONDS
    page.context.close()
    assert watched.troubles == []
