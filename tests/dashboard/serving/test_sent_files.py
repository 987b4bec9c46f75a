"""Answers are compressed, and files that never change are asked for once."""

import gzip
import json
import re

import pytest
from dash import Dash

from dashboard.serving.sent_files import KEPT_SECONDS, PLOTLY_FILE

HERE = {"Host": "127.0.0.1"}
PACKED = {**HERE, "Accept-Encoding": "gzip"}


def scripts(page: str) -> list[str]:
    """Addresses of the scripts and styles of a page."""
    return re.findall(r'(?:src|href)="(/(?:assets|_dash)[^"]*\.(?:js|css)[^"]*)"', page)


def test_what_a_page_loads_is_compressed_and_kept_for_a_year(app: Dash):
    client = app.server.test_client()
    addresses = scripts(client.get("/nowhere", headers=HERE).get_data(as_text=True))
    assert len(addresses) > 10
    for address in [*addresses, f"/assets/{PLOTLY_FILE}"]:
        with client.get(address, headers=PACKED) as answer:
            assert answer.status_code == 200
            control = answer.headers["Cache-Control"]
            assert f"max-age={KEPT_SECONDS}" in control, address
            assert "immutable" in control
            assert "no-" not in control
            assert "Accept-Encoding" in answer.headers["Vary"]
            if len(answer.data) > 500:
                assert "Content-Encoding" in answer.headers, address


@pytest.mark.parametrize("address", ["/assets/arcdrift.js", "/pocket-worker.js", "/nowhere"])
def test_an_address_without_a_version_is_not_kept(app: Dash, address: str):
    with app.server.test_client().get(address, headers=PACKED) as answer:
        assert answer.status_code == 200
        assert "immutable" not in answer.headers.get("Cache-Control", "")


def test_a_compressed_page_is_the_page(app: Dash):
    client = app.server.test_client()
    answer = client.get("/_dash-dependencies", headers=PACKED)
    assert answer.headers["Content-Encoding"] == "gzip"
    plain = client.get("/_dash-dependencies", headers=HERE)
    assert "Content-Encoding" not in plain.headers
    assert json.loads(gzip.decompress(answer.data)) == plain.json
