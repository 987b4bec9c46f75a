"""Parts of a page that are sent as HTML say what their components say, and nothing else."""

import re

from dash import dcc, html
from hypothesis import given
from hypothesis import strategies as st

from arcdrift.wording import TURNING, isolated_text
from dashboard.static_html import as_html, static_part
from tests.dashboard.rendering import components_of, parts, text


def test_text_is_escaped_and_only_plain_html_is_written():
    part = html.Div(
        [html.P("<b>7 & 8</b>", className='a"b'), None, dcc.Link("more", href="/x"), 5, True]
    )
    assert as_html(part) == (
        '<div><p class="a&quot;b">&lt;b&gt;7 &amp; 8&lt;/b&gt;</p>'
        '<a href="/x" data-page="">more</a>5</div>'
    )


def test_attributes_have_the_names_of_html():
    cell = html.Td(
        ["a", html.Br()],
        id="left-out",
        colSpan=2,
        title='"',
        tabIndex="0",
        style={"minHeight": "3px", "--rows": 2},
        **{"data-tick": 0, "aria-hidden": "true"},
    )
    tag, _, inner = as_html(cell).partition(">")
    assert inner == "a<br></td>"
    assert sorted(tag.split()) == [
        "<td", 'aria-hidden="true"', 'colspan="2"', 'data-tick="0"',
        'style="min-height:3px;--rows:2"', 'tabindex="0"', 'title="&quot;"',
    ]  # fmt: skip
    assert as_html(html.Details("x", open=True)) == "<details open>x</details>"
    assert as_html(html.Details("x", open=False)) == "<details>x</details>"


def test_a_part_in_a_part_is_written_once():
    inner = static_part(html.B("<"), name="inner")
    assert as_html(html.Div(inner)) == (
        '<div><div class="static-part inner"><b>&lt;</b></div></div>'
    )


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), min_size=1))
def test_whatever_a_name_is_it_stays_text(name: str):
    part = static_part(html.Button(name, title=name, **{"aria-label": name}))
    # words from right to left are set apart by marks that are not seen; nothing else changes
    shown = isolated_text(name)
    assert re.sub(f"[{TURNING}]", "", shown) == re.sub(f"[{TURNING}]", "", name)
    assert text(components_of(as_html(part))) == shown
    (button,) = (found for found in parts(part) if type(found).__name__ == "Button")
    assert (button.title, getattr(button, "aria-label")) == (shown, shown)
