"""The first screen of a page stands in it as it is first sent."""

from html import escape
from pathlib import Path

import pytest
from dash import Dash

from dashboard.callbacks import screen
from dashboard.components import View
from dashboard.first_screen import LONGEST, first_screen_html
from dashboard.pages import PAGES
from dashboard.reading.data import CrewData
from tests.browser.page_addresses import page_addresses
from tests.dashboard.rendering import parts


def first_sent(app: Dash, address: str) -> str:
    client, here = app.server.test_client(), {"Host": "127.0.0.1"}
    sent = client.get(address, headers=here).get_data(as_text=True)
    return sent.partition('<div class="first-screen')[2].partition('<div id="react-entry')[0]


def test_the_advice_is_readable_without_a_script(app: Dash):
    words = first_sent(app, "/splicer?splicer=Heron")
    assert ">Heron</h1>" in words
    assert 'class="verdict"' in words
    assert "<script" not in words


def test_who_must_stop_is_readable_without_a_script(app: Dash):
    first_sent(app, "/")  # works the advice out
    words = first_sent(app, "/")
    assert "<h1" in words
    assert 'href="/splicer?splicer=Kestrel"' in words


def test_every_page_begins_in_what_is_first_sent(app: Dash, data: CrewData):
    for address in page_addresses(data):
        path, _, query = address.partition("?")
        titles = [part.children for part in parts(screen(data, path, query, "light"))
                  if type(part).__name__ == "Title" and part.order == 1]  # fmt: skip
        words = first_sent(app, address)
        assert "<h1" in words, address
        assert path in ("/", "/splicer") or escape(str(titles[0])) in words
        assert " id=" not in words  # ids are those of the page itself
        assert len(words) < 4 * LONGEST


def test_a_page_that_fails_is_sent_without_its_first_screen(
    data: CrewData, monkeypatch: pytest.MonkeyPatch
):
    def fails(_view: View) -> None:
        raise ZeroDivisionError

    monkeypatch.setitem(PAGES, "/week", fails)
    assert first_screen_html(data, "/week", "", "light") == ""
    assert first_screen_html(data, "/loss", "", "light") != ""


def test_before_the_first_analysis_it_says_what_to_do(tmp_path: Path):
    (tmp_path / "crew.toml").write_text('name = "Invented"\ntime_zone = "UTC"\n', encoding="utf-8")
    words = first_screen_html(CrewData(tmp_path), "/splicer", "splicer=Heron", "light")
    assert "Nothing analyzed yet" in words
    assert 'href="/records"' in words
