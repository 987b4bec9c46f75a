"""Make the pictures of the README's tour from the sample logs: ``python -m tests.browser.tour``."""

import sys
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_rows import read_findings
from dashboard.url_query import href
from tests.browser.driving import PHONE, Watched, launched, served
from tests.browser.many_crews import sample

DATA = Path(__file__).parents[2] / "data"
LARGEST_BYTES = 210_000
DESK = {"width": 1400, "height": 780}


def sample_crew(folder: Path) -> dict[str, Any]:
    """Import and analyze the sample logs; return the stream's most pressing raised loss."""
    sample(folder)
    engine = open_store(folder)
    raised = read_findings(engine, kind="loss-raised")
    engine.dispose()
    return next(one for one in raised if one["subject"]["type"] == "stream")


def main() -> None:
    """Write the pictures, and say how large they are."""
    target = DATA / "tour"
    target.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary, sync_playwright() as playwright:
        folder = Path(temporary)
        finding = sample_crew(folder)
        splicer, _, program = str(finding["subject"]["id"]).partition(" / ")
        stops = {
            "shift": "/?mine=Dunlin",
            "cases": "/cases",
            "week": "/week",
            "loss": "/loss",
            "stream": href("/loss", splicer=splicer, program=program),
            "splicer": href("/splicer", splicer="Dunlin"),
            "checks": "/checks",
            "budget": "/budget",
            "upkeep": "/upkeep",
            "coaching": "/coaching",
            "person": href("/person", technician="Hemlock"),
            "case": href(f"/cases/{finding['case_id']}", finding=finding["id"]),
        }
        with served(folder) as address:
            browser = launched(playwright)
            for size, kind in ((DESK, "wide"), (PHONE, "phone")):
                _walk(Watched(browser.new_context(viewport=size), address), stops, target, kind)
            dark = browser.new_context(viewport=DESK)
            dark.add_cookies([{"name": "arcdrift-scheme", "value": "dark", "url": address}])
            _walk(Watched(dark, address), {"stream": stops["stream"]}, target, "dark")
            browser.close()
    for picture in sorted(target.glob("*.png")):
        size = picture.stat().st_size
        sys.stdout.write(f"{picture.name}: {size / 1000:.0f} kB\n")
        if size > LARGEST_BYTES:
            raise SystemExit(f"{picture.name} is larger than {LARGEST_BYTES} bytes.")


def _walk(watched: Watched, stops: dict[str, str], target: Path, kind: str) -> None:
    watched.open("/nowhere")
    for name, path in stops.items():
        page = watched.go(path)
        page.wait_for_timeout(800)  # charts and grids fade in
        watched.page.screenshot(path=target / f"{name}-{kind}.png")
    if watched.troubles:
        raise SystemExit("\n".join(watched.troubles))


if __name__ == "__main__":
    main()
