"""Parts of a page that are sent as HTML say what their components say, and nothing else."""

import re

from dash import dcc, html
from hypothesis import given
from hypothesis import strategies as st

from arcdrift.wording import TURNING, isolated_text
from dashboard.static_html import LEAST, as_html, static_part, with_static_parts
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


def _list(count: int) -> html.Ul:
    return html.Ul([html.Li(dcc.Link(html.B(str(n)), href=f"/{n}")) for n in range(count)])


def test_large_parts_without_callbacks_are_sent_as_html():
    page = html.Div(
        [html.H1("Title"), html.Section([_list(LEAST), html.P("below")]), html.Div(id="filled")]
    )
    before = as_html(page)
    lighter = with_static_parts(page)
    title, section, filled = lighter.children
    assert title is page.children[0]
    assert filled is page.children[2]
    assert not hasattr(section, "children")
    assert as_html(lighter) == before
    # what was given is as it was, since it may be kept for others
    assert as_html(page) == before
    assert len(page.children[1].children) == 2


def test_what_has_a_callback_stays_with_all_around_it():
    rows = _list(LEAST)
    rows.children[7].id = {"type": "mark", "case": "7"}
    around = html.Div([rows, _list(LEAST)])
    kept, sent = with_static_parts(around).children
    assert kept is rows
    assert not hasattr(sent, "children")
    short = html.Div([_list(3), html.P("x")])
    assert with_static_parts(short) is short
    picker = html.Div([dcc.Dropdown(["a"]) for _ in range(LEAST)])
    assert with_static_parts(picker) is picker
    assert with_static_parts(None) is None


@given(st.recursive(
    st.text("ab", max_size=2) | st.builds(lambda: html.Div(id="x")),
    lambda inner: st.builds(html.Div, st.lists(inner, max_size=3))
    | st.builds(lambda n: _list(n), st.integers(1, 60))
    | st.builds(lambda part: html.Section(part, className="c"), inner),
))  # fmt: skip
def test_a_page_reads_the_same_with_static_parts(page):
    assert as_html(with_static_parts(page)) == as_html(page)
