"""Time every page in a real Chromium, and every callback, beside a Dash page with one chart.

Run by hand::

    python -m tests.benchmarks.bench_pages sample crew-year [--loads 3] [--only /loss] ...

``sample`` are the shipped logs; ``crew-year`` simulates 30 splicers over 365 days (about 600,000
splices); a folder that is named instead was analyzed before, and is copied. The server is
``arcdrift serve`` in a process of its own.

Pages, at 1400 and 390 px: largest contentful paint in seconds of a browser that was never here
and of the same browser's second visit, cumulative layout shift (the worse of the two), seconds
blocked by long tasks, kilobytes of a first visit. Medians of some loads.

Callbacks, those that the page asks and those of what is folded on it, as the 95th percentile of
the page's slowest one in milliseconds:

``warm``
    asked again and again.
``import``
    once each after one more splice was stored: what depends on results alone is still known.
``start``
    once each after the server started; everything is read again, and code runs for the first time.
``analysis``
    once each after a new analysis.

Times are worth something on a quiet machine only (the load stands in the first line); the ratio
to the bare page travels.
"""

import argparse
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from playwright.sync_api import Playwright, sync_playwright

from arcdrift.analysis.review.review import review
from arcdrift.settings import load_crew
from arcdrift.store.database.connect import open_store
from arcdrift.store.records.record_overview import newest_records
from arcdrift.store.records.record_rows import read_records
from dashboard.reading.data import CrewData
from tests.benchmarks.bench_review import fill, store_last_day
from tests.benchmarks.callback_times import Answered, Asked, Times, ask
from tests.benchmarks.page_visits import Link, Visit, callback_requests, profile, visit
from tests.browser.driving import PHONE, WIDE
from tests.browser.page_addresses import page_addresses
from tests.browser.tour import sample_crew
from tests.stored_rows import store_rows

CREW_YEAR = (30, 365, 83.0)
SIZES = {"desk": WIDE, "phone": PHONE}
READY_SECONDS = 60.0
WARM_ROUNDS, IMPORT_ROUNDS, START_ROUNDS, ANALYSIS_ROUNDS = 20, 5, 2, 2
RUN = "from arcdrift.cli.main import run; run()"
BARE = "a bare Dash page"


def make_crew(name: str, folder: Path) -> None:
    """Put the crew that was asked for into an empty folder, analyzed."""
    if name == "sample":
        sample_crew(folder)
    elif name == "crew-year":
        fill(folder, *CREW_YEAR)
        engine, crew = open_store(folder), load_crew(folder)
        store_last_day(engine, folder)
        review(engine, crew)
    else:
        shutil.copytree(name, folder, dirs_exist_ok=True)


@contextmanager
def running(*command: str, path: str = "/") -> Iterator[str]:
    """Run a server in a process of its own until it answers; yield its address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    address = f"http://127.0.0.1:{port}"
    process = subprocess.Popen(
        [sys.executable, *(part.replace("PORT", port) for part in command)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        _wait_for(address + path)
        yield address
    finally:
        process.terminate()
        process.wait()


def _wait_for(url: str) -> None:
    until = time.monotonic() + READY_SECONDS
    while True:
        try:
            with urllib.request.urlopen(url, timeout=10):  # noqa: S310 - our own
                return
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.1)


def serving(folder: Path) -> Any:
    """Serve a crew folder as people do."""
    return running("-c", RUN, "serve", "--crew", str(folder), "--port", "PORT", path="/health")


def visits(
    playwright: Playwright, url: str, size: dict[str, Any], loads: int, link: Link | None
) -> tuple[list[Visit], list[Visit]]:
    """Return first and second visits to a page."""
    first, second = [], []
    bare = url.endswith("/bare")
    for _ in range(loads):
        with profile(playwright, size) as context:
            first.append(visit(context, url, link, bare=bare))
            second.append(visit(context, url, link, bare=bare))
    return first, second


def say(words: str) -> None:
    """Print a line at once."""
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


def time_pages(
    playwright: Playwright,
    urls: dict[str, str],
    loads: int,
    link: Link | None,
    *,
    explain: bool,
) -> None:
    """Print what visits to pages took, the bare page first."""
    bare: dict[str, tuple[float, float]] = {}
    say(f"{'page':58}{'':6} first    x  second    x  shift  blocked first/second    kB")
    for name, url in urls.items():
        for size_name, size in SIZES.items():
            first, second = visits(playwright, url, size, loads, link)
            paint = tuple(
                float(np.median([each.paint_s for each in some])) for some in (first, second)
            )
            bare.setdefault(size_name, paint)
            ratios = [took / least for took, least in zip(paint, bare[size_name], strict=True)]
            blocked = [np.median([each.blocked_s for each in some]) for some in (first, second)]
            shift = max(np.median([each.shift for each in some]) for some in (first, second))
            say(
                f"{name[:57]:58}{size_name:6}{paint[0]:6.2f}{ratios[0]:5.1f}{paint[1]:8.2f}"
                f"{ratios[1]:5.1f}{shift:7.3f}{blocked[0]:12.2f}{blocked[1]:9.2f}"
                f"{np.median([each.kilobytes for each in first]):10.0f}"
            )
            if explain:
                say(f"    largest: {second[-1].largest}; moved: {second[-1].shifted}")


def store_one_more(folder: Path, number: int) -> None:
    """Store the newest splice once more, some seconds later, as an import does."""
    engine = open_store(folder)
    last_day = max(newest_records(engine).values()) - timedelta(days=1)
    newest = read_records(engine, "splices", since=last_day).nlargest(1, "spliced_at")
    later = newest["spliced_at"] + pd.Timedelta(seconds=number + 1)
    store_rows(engine, "splices", newest.assign(spliced_at=later))
    engine.dispose()


def time_callbacks(playwright: Playwright, folder: Path, paths: Sequence[str]) -> None:
    """Print what callbacks took, in each state of the server."""
    asked: list[Asked] = []
    with serving(folder) as address, profile(playwright, WIDE) as context:
        for path in paths:
            asked += [Asked(path, body) for body in callback_requests(context, address + path)]
    rounds: dict[str, list[list[Answered]]] = {}
    rounds["start"] = []
    for _ in range(START_ROUNDS):
        with serving(folder) as address:
            rounds["start"].append(ask(address, asked))
    with serving(folder) as address:
        ask(address, asked)
        rounds["warm"] = [ask(address, asked) for _ in range(WARM_ROUNDS)]
        rounds["import"] = []
        for number in range(IMPORT_ROUNDS):
            store_one_more(folder, number)
            time.sleep(2.5)  # the server looks at the store's version once in a while
            rounds["import"].append(ask(address, asked))
        rounds["analysis"] = []
        for number in range(ANALYSIS_ROUNDS):
            store_one_more(folder, IMPORT_ROUNDS + number)
            review(open_store(folder), load_crew(folder))
            time.sleep(2.5)
            rounds["analysis"].append(ask(address, asked))
    states = ("warm", "import", "analysis", "start")
    times = {state: Times.of(rounds[state]) for state in states}
    sizes = np.array([answer.bytes for answer in rounds["warm"][-1]])
    say(f"{'callbacks of':58}  number" + "".join(f"{state:>9}" for state in states) + "  kB")
    pages = np.array([one.page for one in asked])
    for path in paths:
        which = np.flatnonzero(pages == path)
        if not len(which):
            continue
        slow = "".join(f"{times[state].slowest_p95(which) * 1000:9.0f}" for state in states)
        say(f"{path[:57]:58}{len(which):8}{slow}{sizes[which].sum() / 1000:6.0f}")
    for state in states:
        seconds = times[state].seconds
        p95 = np.percentile(seconds, 95) * 1000
        at = asked[int(np.argmax(np.median(seconds, axis=0)))]
        say(f"all callbacks, {state}: p95 {p95:.0f} ms; the slowest: {at.page} {at.output}")


def main() -> None:
    """Make the crews, and time them one after the other."""
    parser = argparse.ArgumentParser(description="Time every page and every callback.")
    parser.add_argument("crews", nargs="+", help="sample, crew-year, or an analyzed folder")
    parser.add_argument("--loads", type=int, default=3)
    parser.add_argument("--only", nargs="*", default=[], help="pages whose address has this text")
    parser.add_argument("--megabits", type=float, help="slow the way to the server down to this")
    parser.add_argument("--latency", type=float, default=20.0, help="ms, with --megabits")
    parser.add_argument("--skip", choices=["visits", "callbacks"], help="leave a part out")
    parser.add_argument("--explain", action="store_true", help="say what was painted and moved")
    given = parser.parse_args()
    link = Link(given.megabits, given.latency) if given.megabits else None
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as commands do
    say(f"load of the machine: {os.getloadavg()[0]:.1f}")
    with sync_playwright() as playwright:
        for name in given.crews:
            with tempfile.TemporaryDirectory() as temporary:
                folder = Path(temporary)
                make_crew(name, folder)
                run = CrewData(folder).run()
                if run is None:
                    parser.error(f"{name} was not analyzed by this version")
                say(f"{name}: {run.splices:,} splices")
                paths = [
                    path
                    for path in page_addresses(CrewData(folder))
                    if not given.only or any(text in path for text in given.only)
                ]
                if given.skip != "visits":
                    with (
                        running("-m", "tests.benchmarks.bare_page", "PORT") as plain,
                        serving(folder) as address,
                    ):
                        time.sleep(10)  # the advice is worked out first
                        urls = {BARE: f"{plain}/bare"} | {path: address + path for path in paths}
                        time_pages(playwright, urls, given.loads, link, explain=given.explain)
                if given.skip != "callbacks":
                    time_callbacks(playwright, folder, paths)


if __name__ == "__main__":
    main()
