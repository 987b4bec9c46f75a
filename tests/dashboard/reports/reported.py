"""Reports made for tests, and what is told on them."""

import re
from html import unescape
from html.parser import HTMLParser
from typing import Any

from arcdrift.people import LOCAL, Viewer
from dashboard.components import View
from dashboard.reading.data import CrewData
from dashboard.reports.report import Asked, Report, make_report
from dashboard.reports.report_kinds import REPORT_KINDS

VOID = ("meta", "br", "link")


def made(
    data: CrewData, kind: str, viewer: Viewer = LOCAL, address: str = "", **query: str
) -> Report:
    """Make a report as a viewer gets it."""
    seen = data if viewer == LOCAL else data.seen_by(viewer)
    run = seen.run()
    assert run is not None
    asked = Asked(View(seen, run, query, "light"), address)
    return make_report(kind, REPORT_KINDS[kind], asked)


def told(report: Report) -> str:
    """Return the words of a report, those of its drawings too."""
    body = report.html.partition("</head>")[2]
    labels = " ".join(re.findall(r'aria-label="([^"]*)"', body))
    words = " ".join(unescape(re.sub(r"<[^>]*>", " ", body) + labels).split())
    return re.sub(r" ([,.;:)])", r"\1", words)


class Checker(HTMLParser):
    """Notes what is wrong with the elements of a page, and what it would load."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, Any]]) -> None:
        if tag in ("script", "link", "iframe", "object", "embed"):
            self.wrong.append(f"<{tag}>")
        for name, value in attrs:
            if name.startswith("on") or (name == "src" and not str(value).startswith("data:")):
                self.wrong.append(f"{name}={value}")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(f"</{tag}>")


def faults(report: Report) -> list[str]:
    """Return what keeps a report from being complete in itself and well-formed."""
    checker = Checker()
    checker.feed(report.html)
    found = [*checker.wrong, *checker.open]
    if re.search(r"url\(|@import", report.html):
        found.append("something is fetched")
    return found
