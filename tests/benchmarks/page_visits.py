"""Visits to pages in a real Chromium, and what they took as a browser reports it.

Largest contentful paint (https://www.w3.org/TR/largest-contentful-paint/) and layout shifts
(https://wicg.github.io/layout-instability/) come from the browser's own observers. Cumulative
layout shift is the largest sum within a session window: shifts less than 1 s apart, in at most
5 s (https://web.dev/articles/cls). Blocked time is what tasks take beyond 50 ms.
"""

import json
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from playwright.sync_api import BrowserContext, Page, Playwright, Request

from tests.browser.driving import FLAGS, SETTLED, chromium

OBSERVE = """(() => {
    window.seen = {paint: 0, element: '', shifts: [], blocked: 0};
    const watch = (type, look) => new PerformanceObserver(
        list => list.getEntries().forEach(look)).observe({type, buffered: true});
    watch('largest-contentful-paint', entry => {
        window.seen.paint = entry.startTime;
        const one = entry.element;
        window.seen.element = one ? one.tagName + '.' + one.className : '';
    });
    watch('layout-shift', entry => {
        if (!entry.hadRecentInput) {
            window.seen.shifts.push([entry.startTime, entry.value, entry.sources.map(source => {
                const node = source.node && (source.node.closest ? source.node
                    : source.node.parentElement);
                return node ? node.tagName + '.' + node.className : '';
            })]);
        }
    });
    watch('longtask', entry => { window.seen.blocked += Math.max(0, entry.duration - 50); });
})()"""
BYTES = """() => performance.getEntriesByType('navigation').concat(
    performance.getEntriesByType('resource')).reduce((sum, one) => sum + one.transferSize, 0)"""
BARE_SETTLED = "() => document.querySelector('.js-plotly-plot .main-svg')"
REST_MS = 600
"""Time that a page is watched after it stands, for what still moves."""
UNFOLD = """() => document.querySelectorAll('#page details:not([open]) > summary').forEach(
    summary => summary.click())"""
CALLBACK = "/_dash-update-component"


class Visit(NamedTuple):
    """What one visit took.

    Attributes
    ----------
    paint_s : float
        Largest contentful paint, seconds from the start of the navigation.
    shift : float
        Cumulative layout shift.
    blocked_s : float
        Seconds that long tasks kept the page from answering.
    kilobytes : float
        Sent over the wire.
    largest, shifted : str
        The element painted last and largest, and those that moved most.
    """

    paint_s: float
    shift: float
    blocked_s: float
    kilobytes: float
    largest: str
    shifted: str


class Link(NamedTuple):
    """A slower way to the server than the machine's own, as over a radio."""

    megabits_per_s: float
    latency_ms: float


def layout_shift(shifts: list[tuple[float, float]]) -> float:
    """Return the cumulative layout shift of shifts: milliseconds since navigation and score."""
    best = total = first = last = 0.0
    for at, score in shifts:
        if at - last > 1000 or at - first > 5000:
            total, first = 0.0, at
        total, last = total + score, at
        best = max(best, total)
    return best


@contextmanager
def profile(playwright: Playwright, size: dict[str, Any]) -> Iterator[BrowserContext]:
    """Start a browser that was never anywhere, with a cache on disk like a person's."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        context = playwright.chromium.launch_persistent_context(
            folder, executable_path=chromium(), args=FLAGS, viewport=size
        )
        context.add_init_script(OBSERVE)
        try:
            yield context
        finally:
            context.close()


def visit(context: BrowserContext, url: str, link: Link | None, *, bare: bool = False) -> Visit:
    """Open an address in a new tab; return what it took."""
    page = context.new_page()
    if link is not None:
        _slow_down(context, page, link)
    page.goto(url)
    page.wait_for_function(BARE_SETTLED if bare else SETTLED, polling=50, timeout=90_000)
    page.wait_for_timeout(REST_MS)
    seen, sent = page.evaluate("() => window.seen"), page.evaluate(BYTES)
    page.close()
    shifts = sorted(seen["shifts"])
    worst = max(shifts, key=lambda shift: shift[1], default=(0, 0, []))
    return Visit(
        seen["paint"] / 1000,
        layout_shift([(at, score) for at, score, _ in shifts]),
        seen["blocked"] / 1000,
        sent / 1000,
        seen["element"],
        f"{worst[1]:.3f} at {worst[0]:.0f} ms: {', '.join(worst[2])}" if worst[1] else "",
    )


def _slow_down(context: BrowserContext, page: Page, link: Link) -> None:
    bytes_per_s = link.megabits_per_s * 1e6 / 8
    context.new_cdp_session(page).send(
        "Network.emulateNetworkConditions",
        {
            "offline": False,
            "latency": link.latency_ms,
            "downloadThroughput": bytes_per_s,
            "uploadThroughput": bytes_per_s,
        },
    )


def callback_requests(context: BrowserContext, url: str) -> list[str]:
    """Open an address and everything folded on it; return the bodies of its callbacks."""
    bodies: list[str] = []

    def asked(request: Request) -> None:
        if request.method == "POST" and CALLBACK in request.url and request.post_data:
            bodies.append(request.post_data)

    page = context.new_page()
    page.on("request", asked)
    page.goto(url)
    page.wait_for_function(SETTLED, polling=50, timeout=90_000)
    page.evaluate(UNFOLD)
    time.sleep(0.5)
    page.wait_for_load_state("networkidle")
    page.close()
    return list({_what_is_asked(body): body for body in bodies}.values())


def _what_is_asked(body: str) -> str:
    """Return a callback's body without the session, and how often a timer has asked."""
    parsed = json.loads(body)
    inputs = [one for one in parsed["inputs"] if "n_intervals" not in json.dumps(one)]
    return json.dumps([parsed["output"], inputs, parsed.get("state")])
