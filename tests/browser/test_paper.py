"""Reports opened as files: no network, nothing too wide on a screen or on paper, accessible.

The pages of a PDF are counted, so that a sheet for the wall stays one.
"""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from dashboard.reading.data import CrewData
from dashboard.reports.report_kinds import REPORT_KINDS
from tests.browser.driving import PHONE, WIDE, Watched
from tests.browser.test_accessible import serious
from tests.dashboard.invented import write_crew
from tests.dashboard.reports.reported import made
from tests.dashboard.reports.test_reports import ABOUT

pytestmark = pytest.mark.browser

EVERYDAY = ("card", "client")
KINDS = [
    pytest.param(kind, marks=() if kind in EVERYDAY else pytest.mark.long) for kind in REPORT_KINDS
]
PAPER = {"A4": 210.0, "Letter": 215.9}
"""Width in mm: ISO 216, and ANSI/ASME Y14.1."""
MARGIN_MM, PX_PER_MM = 13.0, 96.0 / 25.4
TOO_WIDE = """() => [...document.querySelectorAll('body *')].filter(
    each => (window.matchMedia('print').matches || !each.parentElement.closest('.scroll'))
        && each.getBoundingClientRect().right > document.documentElement.clientWidth + 1
).map(each => each.outerHTML.slice(0, 120))"""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("paper")
    data = CrewData(write_crew(tmp_path_factory.mktemp("crew")))
    for name, kind in REPORT_KINDS.items():
        report = made(data, name, address="https://crew.example", **ABOUT.get(kind.about, {}))
        (folder / f"{name}.html").write_text(report.html, encoding="utf-8")
    return folder


@pytest.mark.parametrize("kind", KINDS)
def test_a_report_opens_without_a_network_and_is_accessible(
    browser: Browser, files: Path, kind: str
) -> None:
    for size in (WIDE, PHONE):
        context = browser.new_context(viewport=size, offline=True)
        page, asked = context.new_page(), []
        page.on("request", lambda request, asked=asked: asked.append(request.url))
        troubles: list[str] = []
        page.on("console", lambda message, heard=troubles: heard.append(message.text))
        page.goto((files / f"{kind}.html").as_uri())
        assert page.evaluate(TOO_WIDE) == []
        assert serious(page) == []
        assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
        assert troubles == []
        context.close()


@pytest.mark.parametrize("kind", KINDS)
def test_a_report_prints_on_either_paper(browser: Browser, files: Path, kind: str) -> None:
    for paper, width in PAPER.items():
        inside = int((width - 2 * MARGIN_MM) * PX_PER_MM)
        context = browser.new_context(viewport={"width": inside, "height": 900})
        page = context.new_page()
        page.goto((files / f"{kind}.html").as_uri())
        page.emulate_media(media="print")
        assert page.evaluate(TOO_WIDE) == []
        printed = page.pdf(format=paper)
        pages = len(re.findall(rb"/Type\s*/Page\b(?!s)", printed))
        assert 1 <= pages <= {"shift": 1, "person": 1, "card": 2}.get(kind, 5)
        context.close()


@pytest.mark.parametrize(
    ("path", "button", "title"),
    [
        ("/week", "Week 23", "Week 23"),
        pytest.param("/", "All splicers on one page", "Friday", marks=pytest.mark.long),
        pytest.param(
            "/splicer?splicer=Heron", "Setting card", "Heron: setting card", marks=pytest.mark.long
        ),
        pytest.param(
            "/person?technician=Birch", "This page", "Birch: work", marks=pytest.mark.long
        ),
    ],
)
def test_a_button_saves_the_report_of_its_page(
    browser: Browser, address: str, path: str, button: str, title: str
) -> None:
    context = browser.new_context(viewport=PHONE)
    watched = Watched(context, address)
    page = watched.open(path)
    with page.expect_download() as saved:
        page.locator(".on-paper a", has_text=button).first.click()
    text = Path(saved.value.path()).read_text(encoding="utf-8")
    assert f"<h1>{title}" in text
    assert saved.value.suggested_filename.startswith("arcdrift-")
    assert watched.troubles == []
    context.close()
