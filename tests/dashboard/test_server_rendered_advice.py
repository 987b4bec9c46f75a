"""A splicer's advice stands in the page as it is first sent."""

from pathlib import Path

from dash import Dash, dcc, html

from dashboard.reading.data import CrewData
from dashboard.server_rendered_advice import advice_html, as_html


def test_the_advice_is_readable_without_a_script(app: Dash):
    client = app.server.test_client()
    here = {"Host": "127.0.0.1"}
    sent = client.get("/splicer?splicer=Heron", headers=here).get_data(as_text=True)
    words = sent.partition('<div class="early-advice')[2].partition('<div id="react-entry-point')[0]
    assert "<h1>Heron</h1>" in words
    assert 'class="verdict"' in words
    assert "<script" not in words
    for other in ("/loss", "/splicer?splicer=Nobody"):
        page = client.get(other, headers=here).get_data(as_text=True)
        assert "early-advice" not in page


def test_who_must_stop_is_readable_without_a_script(app: Dash):
    client, here = app.server.test_client(), {"Host": "127.0.0.1"}
    client.get("/", headers=here)  # works the advice out
    sent = client.get("/", headers=here).get_data(as_text=True)
    words = sent.partition('<div class="early-advice')[2].partition('<div id="react-entry-point')[0]
    assert "<h1 class" in words or "<h1>" in words
    assert 'href="/splicer?splicer=Kestrel"' in words


def test_nothing_is_told_before_the_first_analysis(tmp_path: Path):
    (tmp_path / "crew.toml").write_text('name = "Invented"\ntime_zone = "UTC"\n', encoding="utf-8")
    assert advice_html(CrewData(tmp_path), "/splicer", "splicer=Heron", "light") == ""


def test_text_is_escaped_and_only_plain_html_is_written():
    part = html.Div(
        [html.P("<b>7 & 8</b>", className='a"b'), None, dcc.Link("more", href="/x"), 5, True]
    )
    assert as_html(part) == (
        '<div><p class="a&quot;b">&lt;b&gt;7 &amp; 8&lt;/b&gt;</p><a href="/x">more</a>5</div>'
    )
