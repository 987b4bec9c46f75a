"""Time pages in a real browser, from the start of navigation until the advice is drawn.

Run by hand: ``python -m tests.benchmarks.bench_pages CREW_FOLDER [loads]``. The folder must have
been analyzed. Each load asks for another splicer in turn.

``strangers``: a browser that was never here.
``known``: the same browser again, as when a technician opens the page the next morning.
``inside``: on from another page of the dashboard.
``cold``: a browser that was never here, in the instant after the server started or the logs were
analyzed; everywhere else the server has had the time to get its advice ready.

Times are worth something on a quiet machine only; the load stands in the first line.
"""

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import cycle, islice
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from dashboard.reading.data import CrewData
from dashboard.url_query import href
from tests.browser.driving import FOLLOW, PHONE, WIDE, launched, served

COLD_LOADS = 5
WARM_SECONDS = 15
DRAWN = {
    "splicer": "document.querySelector('.card.advice .verdict')",
    "today": "document.querySelector('.splicer-card')"
    " && !document.querySelector('.advice-pending')",
}
WATCH = """(function () {
    window.startedAt = 0;
    window.drawnAt = null;
    const look = () => {
        if (window.drawnAt === null && (%s)) {
            window.drawnAt = -1;
            requestAnimationFrame(() => setTimeout(() => {
                window.drawnAt = performance.now() - window.startedAt;
            }, 0));
        }
    };
    new MutationObserver(look).observe(document, {childList: true, subtree: true});
})()"""


def watched(context: BrowserContext, page_name: str) -> Page:
    """Open an empty page that notes when the advice is drawn."""
    page = context.new_page()
    page.add_init_script(WATCH % DRAWN[page_name])
    return page


def seconds(page: Page) -> float:
    """Wait for the advice; return how long it took."""
    page.wait_for_function("() => window.drawnAt > 0")
    return float(page.evaluate("window.drawnAt")) / 1000


def cold(browser: Browser, folder: Path, size: dict, page_name: str, paths: list) -> list:
    """Load each path with everything cold."""
    took = []
    for path in paths[:COLD_LOADS]:
        with served(folder) as address:
            took.append(fresh(browser, address, size, page_name, path))
    return took


def strangers(browser: Browser, folder: Path, size: dict, page_name: str, paths: list) -> list:
    """Load each path with a new browser."""
    with warm(folder) as address:
        return [fresh(browser, address, size, page_name, path) for path in paths]


def fresh(browser: Browser, address: str, size: dict, page_name: str, path: str) -> float:
    """Load one path with a new browser."""
    context = browser.new_context(viewport=size)
    page = watched(context, page_name)
    page.goto(address + path)
    took = seconds(page)
    rest(page)
    context.close()
    return took


def rest(page: Page) -> None:
    """Wait until nothing is asked for any more, so that the next load has the machine."""
    page.wait_for_function("() => !document.querySelector('.advice-pending')")
    page.wait_for_load_state("networkidle")


@contextmanager
def warm(folder: Path) -> Iterator[str]:
    """Serve a folder, with its advice at hand."""
    with served(folder, prefetch_advice=True) as address:
        time.sleep(WARM_SECONDS)
        yield address


def known(browser: Browser, folder: Path, size: dict, page_name: str, paths: list) -> list:
    """Load each path with one browser and one server, after a load that is not counted."""
    took = []
    with warm(folder) as address:
        context = browser.new_context(viewport=size)
        for path in [paths[-1], *paths]:
            page = watched(context, page_name)
            page.goto(address + path)
            took.append(seconds(page))
            rest(page)
            page.close()
        context.close()
    return took[1:]


def inside(browser: Browser, folder: Path, size: dict, page_name: str, paths: list) -> list:
    """Go to each path from the page of checks, by a link inside the dashboard."""
    took = []
    with warm(folder) as address:
        context = browser.new_context(viewport=size)
        page = watched(context, page_name)
        page.goto(address + "/checks")
        page.locator("#page h1").wait_for()
        for path in paths:
            page.evaluate("window.startedAt = performance.now(); window.drawnAt = null")
            page.evaluate(FOLLOW, path)
            took.append(seconds(page))
            rest(page)
            page.evaluate(FOLLOW, "/checks")
            page.locator("#page h1", has_text="Checks").wait_for()
            rest(page)
        context.close()
    return took


def main(folder: Path, loads: int) -> None:
    """Print medians and 95th percentiles."""
    sys.stdout.write(f"load of the machine: {os.getloadavg()[0]:.1f}\n")
    names = CrewData(folder).splicers()
    splicers = [href("/splicer", splicer=name) for name in islice(cycle(names), loads)]
    pages = {"splicer": splicers, "today": ["/"] * loads}
    with sync_playwright() as playwright:
        browser = launched(playwright)
        for page_name, paths in pages.items():
            for screen, size in (("desk", WIDE), ("phone", PHONE)):
                for way in (strangers, known, inside, cold):
                    took = way(browser, folder, size, page_name, paths)
                    p50, p95 = np.percentile(took, [50, 95])
                    sys.stdout.write(
                        f"{page_name:8} {screen:6} {way.__name__:10} {len(took)} loads: "
                        f"p50 {p50:.2f} s, p95 {p95:.2f} s\n"
                    )
                    sys.stdout.flush()
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 20)
