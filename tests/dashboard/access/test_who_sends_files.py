"""What each role may send in: a technician the records of their own splicer, and their own list."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from dash import Dash

from arcdrift.store.database.connect import open_store
from arcdrift.store.imports.import_list import read_imports
from dashboard.access.served_address import ServedAddress
from dashboard.app import UPLOADS, create_app
from dashboard.uploads.upload import Upload
from tests.dashboard.access.conftest import add_users
from tests.dashboard.access.signing_in import ADDRESS, HOST, Browser
from tests.dashboard.invented import write_crew
from tests.dashboard.uploads.sending import ended, log_text

HERON = "Heron,2025-06-02T08:10:00Z,0.02,done,Birch,single-mode"
KESTREL = "Kestrel,2025-06-02T08:10:00Z,0.02,done,Birch,single-mode"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = write_crew(tmp_path)
    add_users(folder)
    return folder


@pytest.fixture
def app(folder: Path) -> Iterator[Dash]:
    app = create_app(folder, ServedAddress(proxies=1, public_url=ADDRESS))
    yield app
    app.server.extensions[UPLOADS].close()


@pytest.fixture
def browser_of(app: Dash) -> Callable[[str], Browser]:
    def browser(name: str) -> Browser:
        found = Browser(app)
        assert found.sign_in(name).status_code == 303
        return found

    return browser


def sent(browser: Browser, name: str, *rows: str) -> Upload:
    answer = browser.post(f"/records/files?name={name}", data=log_text(*rows))
    return ended(browser.app, answer, _user(browser))


def _user(browser: Browser) -> str:
    return browser.user  # type: ignore[attr-defined, no-any-return]


def test_who_has_not_signed_in_sends_nothing(app: Dash) -> None:
    answer = Browser(app).post("/records/files?name=x.csv", data=log_text(HERON))
    assert answer.status_code == 401


def test_a_technician_adds_the_records_of_their_own_splicer(
    browser_of: Callable[[str], Browser], folder: Path
) -> None:
    birch = browser_of("birch@work")
    birch.user = "birch@work"  # type: ignore[attr-defined]
    birch.client.set_cookie("arcdrift-splicer", "Heron", domain=HOST)
    before = len(read_imports(open_store(folder)))
    refused = sent(birch, "all.csv", HERON, KESTREL)
    assert "holds records of Kestrel, and you may add those of Heron" in refused.problems[0]
    assert len(read_imports(open_store(folder))) == before  # nothing of it is stored
    own = sent(birch, "own.csv", HERON)
    assert own.reports[0].balance.accepted == 1
    assert read_imports(open_store(folder))["imported_by"].iloc[0] == "birch@work"


def test_nobody_sees_or_answers_what_others_sent(
    browser_of: Callable[[str], Browser], app: Dash
) -> None:
    lena, tove = browser_of("Lena"), browser_of("Tove")
    lena.user, tove.user = "Lena", "Tove"  # type: ignore[attr-defined]
    upload = sent(lena, "lena.csv", HERON)
    uploads = app.server.extensions[UPLOADS]
    assert [each.token for each in uploads.of("Lena")] == [upload.token]
    assert uploads.of("Tove") == []
    with pytest.raises(Exception, match="no longer here"):
        uploads.find(upload.token, "Tove")


def test_a_technician_sees_and_undoes_only_their_own_imports(
    browser_of: Callable[[str], Browser], folder: Path
) -> None:
    lena, birch = browser_of("Lena"), browser_of("birch@work")
    lena.user, birch.user = "Lena", "birch@work"  # type: ignore[attr-defined]
    birch.client.set_cookie("arcdrift-splicer", "Heron", domain=HOST)
    sent(lena, "of-lena.csv", KESTREL)
    sent(birch, "of-birch.csv", HERON)
    page = birch.page("/records").get_data(as_text=True)
    assert "of-birch.csv" in page
    assert "of-lena.csv" not in page
    page = lena.page("/records").get_data(as_text=True)
    assert "of-birch.csv" in page
    assert "of-lena.csv" in page
