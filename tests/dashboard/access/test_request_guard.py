"""What every request must pass: a name of this server, a page of its own, and what it answers."""

import re
from pathlib import Path

import pytest
from dash import Dash
from werkzeug.test import EnvironBuilder, run_wsgi_app

from arcdrift.errors import UsageError
from dashboard.access.served_address import ServedAddress
from dashboard.app import create_app
from tests.dashboard.access.signing_in import ADDRESS, Browser


@pytest.fixture(scope="module")
def local(users_folder: Path) -> Dash:
    """The dashboard as it is on one's own computer."""
    return create_app(users_folder)


CALLBACK = {
    "output": "results-version.data",
    "outputs": {"id": "results-version", "property": "data"},
    "inputs": [{"id": "results-timer", "property": "n_intervals", "value": 1}],
    "state": [{"id": "results-version", "property": "data", "value": "0"}],
    "changedPropIds": ["results-timer.n_intervals"],
}


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8050", 200),
        ("localhost:8050", 200),
        ("[::1]:8050", 200),
        ("rebound.example", 403),
        ("127.0.0.1.rebound.example", 403),
        ("192.0.2.1", 403),
        ("[::1", 403),
        ("a b", 403),
    ],
)
def test_only_own_names_are_answered_on_this_computer(local: Dash, host: str, status: int):
    # past the test client, which itself trips over some of these names in old versions
    environ = EnvironBuilder("/").get_environ() | {"HTTP_HOST": host}
    assert run_wsgi_app(local.server, environ)[1].startswith(str(status))


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://127.0.0.1:8050"}, 200),
        ({"Sec-Fetch-Site": "same-origin"}, 200),
        ({}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "http://127.0.0.1:9000"}, 403),  # another program on this computer
        ({"Origin": "https://127.0.0.1:8050"}, 403),
        ({"Origin": "http://127.0.0.1:8050.evil.example"}, 403),
        ({"Origin": "http://localhost:8050"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Origin": "http://evil.example", "Sec-Fetch-Site": "same-origin"}, 403),
    ],
)
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
def test_changes_come_from_own_pages_only(local: Dash, method: str, headers, status: int):
    answer = local.server.test_client().open(
        "/_dash-update-component", method=method, json=CALLBACK, headers=headers,
        base_url="http://127.0.0.1:8050",
    )  # fmt: skip
    assert answer.status_code == (status if method == "POST" or status == 403 else 405)


def test_behind_a_proxy_the_name_is_that_of_the_public_address(app: Dash):
    browser = Browser(app)
    assert browser.sign_in("Lena").status_code == 303
    for origin in ("http://crew.example", "https://crew.example.evil.example", None):
        answer = browser.post("/_dash-update-component", origin=origin, json=CALLBACK)
        assert answer.status_code == 403, origin
    assert browser.post("/_dash-update-component", json=CALLBACK).status_code == 200
    browser.client.environ_base["HTTP_X_FORWARDED_HOST"] = "rebound.example"
    assert browser.get("/").status_code == 403


def test_a_dashboard_without_sign_in_answers_no_proxy(local: Dash):
    client = local.server.test_client()
    for name in ("X-Forwarded-For", "Forwarded", "X-Forwarded-Host", "Via"):
        assert client.get("/", headers={name: "198.51.100.7"}).status_code == 403


def test_forwarded_headers_are_believed_only_as_far_as_there_are_proxies(users_folder, caplog):
    app = create_app(users_folder, ServedAddress(proxies=1, public_url=ADDRESS))
    browser = Browser(app)
    browser.client.environ_base["HTTP_X_FORWARDED_FOR"] = "203.0.113.66, 198.51.100.7"
    browser.sign_in("Lena", "wrong wrong wrong")
    assert "from 198.51.100.7" in caplog.text
    assert "203.0.113.66" not in caplog.text


def test_answers_tell_the_browser_what_pages_may_do(app: Dash, signed_in):
    answer = signed_in("Lena").get("/")
    policy = dict(part.strip().split(" ", 1) for part in answer.headers[
        "Content-Security-Policy"].split(";"))  # fmt: skip
    assert policy["default-src"] == "'self'"
    assert "unsafe" not in policy["script-src"]
    assert policy["frame-ancestors"] == policy["object-src"] == policy["base-uri"] == "'none'"
    assert policy["form-action"] == "'self'"
    # every inline script of the page has its hash in the policy
    inline = re.findall(r"<script(?![^>]*src=)([^>]*)>", answer.get_data(as_text=True))
    run = [words for words in inline if "application/json" not in words]
    assert len(run) == policy["script-src"].count("'sha256-")
    assert answer.headers["X-Frame-Options"] == "DENY"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "same-origin"
    assert answer.headers["Cache-Control"] == "no-store"
    assert "Strict-Transport-Security" in answer.headers
    with signed_in("Lena").get("/assets/arcdrift.css") as style:
        assert style.headers["Cache-Control"] != "no-store"


def test_a_request_may_only_be_so_large(local: Dash):
    client = local.server.test_client()
    answer = client.post(
        "/_dash-update-component", data=b"x" * (33 * 1024 * 1024),
        content_type="application/json", headers={"Origin": "http://localhost"},
    )  # fmt: skip
    assert answer.status_code == 413


@pytest.mark.parametrize(
    "path",
    ["/assets/../app.py", "/assets/%2e%2e/app.py", "/assets/..%2f..%2fpyproject.toml",
     "/assets//etc/passwd", "/csv/../../etc/passwd.csv", "/csv/loss/..%2f..%2fcrew.toml",
     "/_dash-component-suites/dash/../../../etc/passwd",
     "/_dash-component-suites/os/os.py"],
)  # fmt: skip
def test_no_path_leads_out_of_the_folder_of_assets(signed_in, path: str):
    answer = signed_in("Lena").get(path)
    text = answer.get_data(as_text=True)
    assert "root:" not in text
    assert "import" not in text
    assert "name =" not in text


@pytest.mark.parametrize(
    ("address", "needed"),
    [
        (ServedAddress(), False),
        (ServedAddress("localhost"), False),
        (ServedAddress("::1"), False),
        (ServedAddress("192.0.2.5"), True),
        (ServedAddress("0.0.0.0"), True),  # noqa: S104 - compared only
        (ServedAddress("crew.example"), True),
        (ServedAddress(""), True),
        (ServedAddress(sign_in=True), True),
        (ServedAddress(public_url=ADDRESS), True),
        (ServedAddress(proxies=1, public_url=ADDRESS), True),
    ],
)
def test_whoever_can_be_reached_by_others_needs_a_sign_in(address, needed):
    assert address.needs_sign_in is needed


def test_others_are_not_served_without_users(crew_folder: Path):
    with pytest.raises(UsageError, match="Add a user first: arcdrift user add NAME --role lead"):
        create_app(crew_folder, ServedAddress("192.0.2.5"))


@pytest.mark.parametrize("url", ["crew.example", "ftp://crew.example", "https://", "https://a/b"])
def test_an_address_that_cannot_be_opened_is_refused(url: str):
    with pytest.raises(UsageError, match="write it like https://"):
        ServedAddress(public_url=url)


def test_a_proxy_needs_the_address_that_people_open():
    with pytest.raises(UsageError, match="add --public-url"):
        ServedAddress(proxies=1)


def test_names_of_an_address_that_listens_everywhere():
    address = ServedAddress("0.0.0.0", 8050)  # noqa: S104 - compared only
    assert address.is_own_name("192.0.2.9")  # digits cannot be pointed elsewhere
    assert not address.is_own_name("rebound.example")
    assert ServedAddress("192.0.2.5").is_own_name("192.0.2.5")
    assert not ServedAddress("192.0.2.5").is_own_name("192.0.2.6")
    assert ServedAddress("2001:db8::5", 1).url == "http://[2001:db8::5]:1"
