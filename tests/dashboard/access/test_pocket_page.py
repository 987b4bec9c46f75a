"""The small page that a phone keeps, the web app's manifest, and the address as a QR code."""

import json
import re
from pathlib import Path

import pytest
import segno

from arcdrift.cli.commands.serve import phone_code
from dashboard import pocket_page
from tests.dashboard.access.signing_in import ADDRESS, Browser


def text_of(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def test_a_technician_finds_the_splicer_they_last_worked_on(signed_in):
    page = signed_in("birch@work").get("/pocket").get_data(as_text=True)
    assert "<h1>Kestrel</h1>" in page
    assert "Set to 45 steps" in text_of(page)
    assert 'class="verdict' in page
    assert re.search(r'As of <time datetime="20\d\d-\d\d-\d\dT[\d:.]+\+00:00">', page)
    assert "Before you touch the splicer" in page
    for name in ("Birch", "Alder", "birch@work"):
        assert name not in page


def test_a_chosen_splicer_is_remembered_on_the_device(app):
    browser = Browser(app)
    browser.sign_in("Lena")
    assert "Choose the splicer in your van" in browser.get("/pocket").get_data(as_text=True)
    header = browser.get("/pocket?splicer=Heron").headers["Set-Cookie"]
    assert header.startswith("arcdrift-splicer=Heron; ")
    assert "Secure" in header
    assert "<h1>Heron</h1>" in browser.get("/pocket").get_data(as_text=True)
    for odd in ("nobody", "<script>", "../x"):
        answer = browser.get("/pocket", query_string={"splicer": odd})
        assert "Set-Cookie" not in answer.headers
        assert "<script>." not in answer.get_data(as_text=True)


def test_strangers_get_no_page_to_keep(app):
    browser = Browser(app)
    assert browser.get("/pocket").headers["Location"] == "/sign-in?next=/pocket"
    assert browser.get("/pocket", headers={"Accept": "text/plain"}).status_code == 401
    assert browser.get("/address.svg").status_code == 302


def test_the_page_is_small_and_runs_nothing_inline(signed_in):
    page = signed_in("birch@work").get("/pocket").get_data(as_text=True)
    assert len(page) < 20_000
    assert re.findall(r"<script[^>]*>", page) == ['<script src="/assets/pocket.js" defer>']
    assert " onclick" not in page
    # nothing but the places on the gauge
    assert set(re.findall(r' style="([a-z]+):', page)) <= {"left"}


def test_the_manifest_names_icons_that_there_are(app):
    browser = Browser(app)
    manifest = json.loads(browser.get("/manifest.webmanifest").get_data(as_text=True))
    assert manifest["display"] == "standalone"
    for icon in manifest["icons"]:
        with browser.get(icon["src"]) as answer:
            data = answer.get_data()
        assert data[:8] == b"\x89PNG\r\n\x1a\n"
        # width and height, PNG specification, section 11.2.2
        size = [int.from_bytes(data[at : at + 4], "big") for at in (16, 20)]
        assert "x".join(map(str, size)) == icon["sizes"]
    assert {icon["sizes"] for icon in manifest["icons"]} == {"192x192", "512x512"}


def test_the_worker_keeps_nothing_by_itself_and_names_files_that_there_are(app):
    assets = Path(pocket_page.__file__).parent / "assets"
    worker = Browser(app).get("/pocket-worker.js")
    assert worker.mimetype == "text/javascript"
    assert "cache.put" not in worker.get_data(as_text=True)
    kept = re.findall(r'"/assets/([\w.-]+)"', (assets / "pocket.js").read_text(encoding="utf-8"))
    assert kept
    assert all((assets / name).exists() for name in kept)


def test_the_address_is_told_as_a_code_that_a_camera_reads(signed_in):
    image = signed_in("Tove").get("/address.svg")
    assert image.mimetype == "image/svg+xml"
    code = segno.make(ADDRESS, error="m", micro=False)
    path = re.search(r'class="qrline"[^>]* d="([^"]+)"|d="([^"]+)" class="qrline"',
                     image.get_data(as_text=True))  # fmt: skip
    assert path
    other = code.svg_inline(scale=5, border=4, dark="#000", light="#fff", omitsize=True)
    assert (path[1] or path[2]) in other
    page = signed_in("Tove").page("/").get_data(as_text=True)
    assert "address.svg" in page
    assert "address.svg" not in signed_in("Tove").page("/checks").get_data(as_text=True)


@pytest.mark.parametrize("url", ["http://192.0.2.5:8050", "https://crew.example"])
def test_the_code_in_the_terminal_is_the_code_of_the_address(url: str):
    lines = phone_code(url).splitlines()[1:]
    modules = [list(row) for row in segno.make(url, error="m", micro=False).matrix_iter(border=2)]
    drawn = [line for line in (re.sub("\x1b\\[[0-9;]*m", "", line) for line in lines) if line]
    # two rows of modules a line of block characters; dark on light and light on dark both read
    parts = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}
    halves = [[parts[char] for char in line] for line in drawn]
    rows = [[half[n] for half in line] for line in halves for n in (0, 1)][: len(modules)]
    inverted = [[1 - bit for bit in row] for row in rows]
    assert modules in (rows, inverted)
