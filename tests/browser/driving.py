"""A dashboard in a thread, and a browser that notes everything that goes wrong."""

import shutil
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import waitress
from dash import Dash
from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Page,
    Playwright,
    Request,
    Response,
)

from dashboard.access.served_address import ServedAddress
from dashboard.app import create_app
from dashboard.reading.data import CrewData

WIDE = {"width": 1400, "height": 900}
PHONE = {"width": 390, "height": 844}
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SETTLED = """() => {
    const busy = document.querySelector('[data-dash-is-loading="true"]');
    const drawn = document.body.dataset.drawn === window.location.href;
    const bare = [...document.querySelectorAll('.dash-graph')].some(
        graph => !graph.querySelector('.main-svg'));
    const empty = [...document.querySelectorAll('.ag-root-wrapper')].some(
        grid => grid.offsetParent
            && !(grid.querySelector('.ag-cell') && grid.querySelector('.ag-header-cell')));
    const pending = document.querySelector('#page .advice-pending');
    return !busy && !pending && !bare && !empty && drawn;
}"""

FOLLOW = """(path) => {
    window.history.pushState({}, '', path);
    window.dispatchEvent(new CustomEvent('_dashprivate_pushstate'));
}"""


def chromium() -> str | None:
    """Path of a Chromium on this machine, None when there is none."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@contextmanager
def served(folder: Path, *, prefetch_advice: bool = False, sign_in: bool = False) -> Iterator[str]:
    """Serve a crew folder on a free port of this machine; yield its address."""
    with served_app(folder, prefetch_advice=prefetch_advice, sign_in=sign_in) as (address, _):
        yield address


@contextmanager
def served_app(
    folder: Path, *, prefetch_advice: bool = False, sign_in: bool = False
) -> Iterator[tuple[str, Dash]]:
    """Serve a crew folder on a free port of this machine; yield its address and the dashboard."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = CrewData(folder)
    app = create_app(folder, ServedAddress(port=port, sign_in=sign_in), data)
    if prefetch_advice:
        data.prefetch_advice()
    server = waitress.create_server(
        app.server,
        host="127.0.0.1",
        port=port,
        threads=8,
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{port}", app
    finally:
        # a request that is still answered must not find the server's pipe closed
        server.task_dispatcher.shutdown(timeout=30)
        server.close()
        thread.join(timeout=5)


def launched(playwright: Playwright) -> Browser:
    """Start the machine's Chromium."""
    return playwright.chromium.launch(executable_path=chromium(), args=FLAGS)


class Watched:
    """A page of one session, and what went wrong on it."""

    def __init__(self, context: BrowserContext, address: str) -> None:
        self.address = address
        self.troubles: list[str] = []
        self.page: Page = context.new_page()
        self.page.set_default_timeout(30_000)
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda error: self.troubles.append(f"error: {error}"))
        self.page.on("requestfailed", self._failed)
        self.page.on("request", self._asked)
        self.page.on("response", self._answered)

    def _heard(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.troubles.append(f"console: {message.text}")

    def _failed(self, request: Request) -> None:
        # leaving a page drops what it still asked for; that is no trouble
        if request.failure != "net::ERR_ABORTED":
            self.troubles.append(f"failed: {request.url}")

    def _asked(self, request: Request) -> None:
        url = request.url
        if urlsplit(url).scheme in ("http", "https") and not url.startswith(self.address):
            self.troubles.append(f"left this machine: {url}")

    def _answered(self, response: Response) -> None:
        if response.status >= 400:
            self.troubles.append(f"{response.status}: {response.url}")

    def open(self, path: str) -> Page:
        """Open a page and wait until it stands."""
        self.page.goto(self.address + path)
        self.settle()
        return self.page

    def settle(self) -> None:
        """Wait until nothing loads any more and every chart is drawn."""
        self.page.wait_for_function(SETTLED, polling=30)

    def go(self, path: str) -> Page:
        """Go to another page the way a link inside the dashboard does."""
        self.page.evaluate(FOLLOW, path)
        self.settle()
        return self.page
