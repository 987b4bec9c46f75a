"""``arcdrift report``: files of the small crew, whose newest record is of 6 May 2026."""

import re
from pathlib import Path
from typing import Any

import pytest
import segno

from dashboard.reports import pdf_printing


def test_a_report_is_written_under_a_name_that_says_what_it_is(
    analyzed: Path, arcdrift: Any
) -> None:
    done = arcdrift("report", "week", "2026-W19")
    assert (done.code, done.out) == (0, "Wrote arcdrift-week-2026-w19.html.\n")
    page = (analyzed / "arcdrift-week-2026-w19.html").read_text(encoding="utf-8")
    assert "<title>Week 19 · Invented crew</title>" in page
    assert "4 to 10 May 2026, so far: up to 6 May 2026, 09:00." in page


def test_the_file_and_its_form_can_be_chosen(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift(
        "report", "month", "2026-05", "--out", "may.html", "--paper", "letter", "--json"
    )
    assert done.data == {"report": "month", "file": "may.html", "pdf": None}
    assert "@page { size: letter; }" in (analyzed / "may.html").read_text(encoding="utf-8")
    first = (analyzed / "may.html").read_bytes()
    arcdrift("report", "month", "2026-05", "--out", "again.html", "--paper", "letter")
    assert (analyzed / "again.html").read_bytes() == first


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["week", "2026-W60"], "There is no week 2026-W60 up to now; write one like 2026-W18."),
        (["month", "--since", "soon"], "since is soon; write a day such as 2026-05-06."),
        (["card"], "Say which splicer: arcdrift report card SPLICER."),
        (["splicer", "Hron"], "There is no splicer 'Hron'; did you mean Heron?"),
        (["person"], "Say whom: arcdrift report person NAME."),
        (["person", "Birch"], "There is no person 'Birch'; known are Alder."),
        (["shift", "Heron"], "A shift report is about no single 'Heron'; leave it away."),
    ],
)  # fmt: skip
def test_what_cannot_be_told_is_a_sentence(
    analyzed: Path, arcdrift: Any, arguments: list[str], sentence: str
) -> None:
    done = arcdrift("report", *arguments)
    assert (done.code, done.sentence) == (2, sentence)


def test_the_code_on_a_card_leads_to_the_address_that_is_given(
    analyzed: Path, arcdrift: Any
) -> None:
    plain, other = "plain.html", "other.html"
    assert arcdrift("report", "card", "Heron", "--out", plain).code == 0
    url = ["--address", "https://crew.example/"]
    assert arcdrift("report", "card", "Heron", "--out", other, *url).code == 0
    assert "QR code of its page" not in (analyzed / plain).read_text(encoding="utf-8")
    code = segno.make("https://crew.example/splicer?splicer=Heron", error="m", micro=False)
    drawn = code.svg_inline(border=4, dark="#000", light="#fff", omitsize=True)
    (path,) = re.findall(r'class="qrline"[^>]* d="([^"]+)"|d="([^"]+)" class="qrline"', drawn)
    assert max(path, key=len) in (analyzed / other).read_text(encoding="utf-8")


def test_a_file_that_cannot_be_written_is_told(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("report", "week", "--out", "no/such/folder.html")
    assert done.code == 3
    assert done.sentence.startswith("no/such/folder.html cannot be written")


def test_without_an_analysis_there_is_no_report(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("report", "week")
    assert done.code == 2
    assert done.sentence.startswith("Nothing has been analyzed yet")


def test_without_chromium_the_page_is_written_and_the_pdf_is_missed(
    analyzed: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pdf_printing, "PROGRAMS", ())
    done = arcdrift("report", "week", "--out", "week.html", "--pdf")
    assert done.code == 2
    assert done.sentence == pdf_printing.NONE_FOUND
    assert (analyzed / "week.html").exists()
    assert not (analyzed / "week.pdf").exists()


@pytest.mark.browser
def test_an_installed_chromium_prints_a_pdf(analyzed: Path, arcdrift: Any) -> None:
    if pdf_printing.installed_chromium() is None:
        pytest.skip("no Chromium on this machine: install one to run the browser tests")
    done = arcdrift("report", "week", "--out", "week.html", "--pdf")
    assert (done.code, done.out) == (0, "Wrote week.html. Printed week.pdf.\n")
    content = (analyzed / "week.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    # A4 in points, ISO 216: 210 x 297 mm
    assert b"/MediaBox [0 0 594.95996 841.91998]" in content or b"595" in content


def test_a_chromium_that_fails_is_told(
    analyzed: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(pdf_printing, "installed_chromium", lambda: str(tmp_path / "none"))
    done = arcdrift("report", "week", "--out", "week.html", "--pdf")
    assert done.code == 3
    assert "open week.html in a browser and print it" in done.sentence
