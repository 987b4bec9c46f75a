"""A name written from right to left, or one that turns text, leaves its sentence as it is."""

import json

import pytest
from dash import html
from flask import Flask, Response

from arcdrift.wording import isolated_text
from dashboard.serving import isolated_names
from dashboard.static_html import as_html

OVERRIDE = "\u202eHeron"
HEBREW = "גלבוע"


@pytest.mark.parametrize(
    ("sentence", "shown"),
    [
        ("Heron is up 28 % since 3 Jun 2025 · ✓", "Heron is up 28 % since 3 Jun 2025 · ✓"),
        (f"{OVERRIDE} is up 28 %", "Heron is up 28 %"),
        (f"{HEBREW}: 5 splices", f"\u2068{HEBREW}\u2069: 5 splices"),
        (f"{HEBREW} 12 {HEBREW}, 7 h", f"\u2068{HEBREW} 12 {HEBREW}\u2069, 7 h"),
        ("from نسر to Heron", "from \u2068نسر\u2069 to Heron"),
    ],
)  # fmt: skip
def test_a_sentence_keeps_its_order(sentence: str, shown: str) -> None:
    assert isolated_text(sentence) == shown
    assert isolated_text(shown) == shown  # it may be done twice


@pytest.mark.parametrize("escaped", [True, False])
def test_sentences_of_an_answer_are_set_right_and_nothing_else(escaped: bool) -> None:
    server = Flask("test")
    isolated_names.install(server)
    sent = {
        "page": {
            "children": ["Up: ", {"props": {"children": HEBREW, "href": f"/x?{HEBREW}"}}],
            "value": HEBREW,
            "id": OVERRIDE,
            "data": [{"value": HEBREW, "label": HEBREW}],
            "figure": {"layout": {"title": HEBREW}},
            "aria-label": OVERRIDE,
        }
    }

    @server.route("/_dash-update-component", methods=["POST"])
    def answer() -> Response:
        text = json.dumps(sent, ensure_ascii=escaped)
        return Response(text, mimetype="application/json")

    got = server.test_client().post("/_dash-update-component").get_json()["page"]
    apart = f"\u2068{HEBREW}\u2069"
    assert got["children"][1]["props"] == {"children": apart, "href": f"/x?{HEBREW}"}
    assert got["data"] == [{"value": HEBREW, "label": apart}]
    assert (got["value"], got["id"], got["aria-label"]) == (HEBREW, OVERRIDE, "Heron")
    assert got["figure"] == sent["page"]["figure"]


def test_other_answers_leave_as_they_were_written() -> None:
    server = Flask("test")
    isolated_names.install(server)
    text = '{"children":  "\\u2014 · 5 \\u2212 3"}'

    @server.route("/_dash-update-component", methods=["POST"])
    def answer() -> Response:
        return Response(text, mimetype="application/json")

    assert server.test_client().post("/_dash-update-component").get_data(as_text=True) == text


def test_what_is_sent_as_html_is_set_right_too() -> None:
    assert as_html(html.B(OVERRIDE, title=HEBREW)) == f'<b title="\u2068{HEBREW}\u2069">Heron</b>'
