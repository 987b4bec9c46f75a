"""A crew is set up in the browser by a lead alone; the new settings count at once."""

from collections.abc import Callable
from pathlib import Path

import pytest
from dash import Dash

from arcdrift.settings import load_crew
from dashboard.access.served_address import ServedAddress
from dashboard.app import create_app
from tests.dashboard.access.conftest import add_users
from tests.dashboard.access.signing_in import ADDRESS, Browser
from tests.dashboard.access.walking import set_a_crew_up


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "crew.toml").write_text('name = "Try"\n', encoding="utf-8")
    add_users(tmp_path)
    return tmp_path


@pytest.fixture
def browser_of(folder: Path) -> Callable[[str], Browser]:
    app: Dash = create_app(folder, ServedAddress(proxies=1, public_url=ADDRESS))

    def browser(name: str) -> Browser:
        found = Browser(app)
        assert found.sign_in(name).status_code == 303
        return found

    return browser


def test_only_a_lead_sets_up(browser_of: Callable[[str], Browser], folder: Path) -> None:
    for name in ("birch@work", "Tove"):
        assert set_a_crew_up(browser_of(name)).status_code == 403
    assert load_crew(folder).name == "Try"
    trainer = browser_of("Tove")
    assert "A lead sets this crew up first" in trainer.page("/records").get_data(as_text=True)
    lead = browser_of("Lena")
    assert "Set up the crew" in lead.page("/records").get_data(as_text=True)
    answer = set_a_crew_up(lead)
    assert answer.status_code == 200
    assert answer.json["sideUpdate"]["crew-name"] == {"children": "North"}
    assert (load_crew(folder).name, load_crew(folder).time_zone) == ("North", "Europe/Oslo")
    # for everybody, from the next page on
    assert "North, Europe" in lead.page("/records").get_data(as_text=True)
    assert "A lead sets" not in trainer.page("/records").get_data(as_text=True)
    assert "Sign in to North" in Browser(lead.app).get("/sign-in").get_data(as_text=True)
