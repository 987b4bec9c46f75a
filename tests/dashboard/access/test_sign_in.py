"""Signing in and out: what begins a sign-in, what it carries, and all that ends it."""

import logging
import shutil
from pathlib import Path

import pytest
from itsdangerous import URLSafeTimedSerializer

from arcdrift.errors import StoreTrouble
from arcdrift.store.accounts import user_accounts
from arcdrift.store.accounts.user_accounts import add_user, remove_user, reset_password
from arcdrift.store.database.connect import open_store
from dashboard.access import sessions
from dashboard.access.served_address import ServedAddress
from dashboard.access.sign_in import own_address
from dashboard.app import create_app
from tests.dashboard.access.signing_in import ADDRESS, PASSWORD, Browser


@pytest.fixture
def browser(app) -> Browser:
    return Browser(app)


@pytest.fixture
def visitor(app, users_folder: Path, monkeypatch):
    """A user of whom a test may do what it likes, signed in."""
    monkeypatch.setattr(user_accounts, "hash_password", lambda _password, _name: "$" * 20)
    monkeypatch.setattr("dashboard.access.sign_in.password_matches", lambda *_: True)
    engine = open_store(users_folder)
    add_user(engine, "Visitor", PASSWORD, "lead")
    browser = Browser(app)
    browser.engine = engine
    assert browser.sign_in("visitor").status_code == 303
    yield browser
    if user_accounts.find_user(engine, "Visitor"):
        remove_user(engine, "Visitor")
    engine.dispose()


def is_in(browser: Browser) -> bool:
    """Whether the browser sees the frame of the dashboard; any other answer must be the sign-in."""
    answer = browser.get("/")
    assert answer.status_code == 200 or answer.headers["Location"] == "/sign-in"
    return answer.status_code == 200


def test_nothing_but_the_sign_in_is_shown_to_strangers(browser: Browser):
    answer = browser.get("/splicer?splicer=Heron")
    assert answer.status_code == 302
    assert answer.headers["Location"] == "/sign-in?next=/splicer%3Fsplicer%3DHeron"
    page = browser.get(answer.headers["Location"]).get_data(as_text=True)
    assert '<input type="hidden" name="next" value="/splicer?splicer=Heron">' in page
    assert "Heron" not in page.replace("/splicer?splicer=Heron", "")
    for path in ("/_dash-layout", "/_dash-dependencies"):
        assert browser.get(path, headers={"Accept": "*/*"}).status_code == 401
    assert browser.page("/").status_code == 401


def test_the_right_password_leads_to_the_page_that_was_asked_for(browser: Browser):
    answer = browser.sign_in("LENA", wanted="/splicer?splicer=Heron")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/splicer?splicer=Heron")
    assert is_in(browser)
    assert '"Lena"' in browser.get("/_dash-layout").get_data(as_text=True)


@pytest.mark.parametrize(
    ("name", "password"), [("Lena", "wrong wrong wrong"), ("Nobody", PASSWORD)]
)
def test_a_wrong_name_and_a_wrong_password_look_alike(browser: Browser, name, password, caplog):
    with caplog.at_level(logging.WARNING, logger="arcdrift.access"):
        answer = browser.sign_in(name, password)
    assert answer.status_code == 401
    assert "This name and password do not belong together." in answer.get_data(as_text=True)
    assert password not in answer.get_data(as_text=True) + caplog.text
    assert "wrong name or password" in caplog.text
    assert not is_in(browser)


def test_the_cookie_is_signed_and_out_of_reach_of_scripts_and_other_sites(browser: Browser):
    answer = browser.sign_in("Lena")
    header = answer.headers["Set-Cookie"]
    assert header.startswith("__Host-arcdrift=")
    for part in ("Secure", "HttpOnly", "SameSite=Lax", "Path=/"):
        assert f"; {part}" in header
    assert "Domain" not in header


def test_a_forged_or_changed_cookie_is_nothing(app, browser: Browser):
    browser.sign_in("Lena")
    value = browser.cookie()
    head, body = value[:12], value[12:]
    signer = URLSafeTimedSerializer("guess", salt="cookie-session")
    content = {"_user_id": "1", "sign_in": "x", "started": 1, "seen": 1}
    for forged in (head + ("A" if body[0] != "A" else "B") + body[1:], signer.dumps(content), "x"):
        other = Browser(app)
        other.set_cookie(forged)
        assert not is_in(other)


def test_the_session_before_the_sign_in_is_not_the_one_after_it(app, browser: Browser):
    browser.sign_in("Lena")
    planted = browser.cookie()
    other = Browser(app)
    other.set_cookie(planted)
    assert other.sign_in("birch@work").status_code == 303
    assert other.cookie() != planted
    assert '"birch@work"' in other.get("/_dash-layout").get_data(as_text=True)


def test_signing_out_ends_copies_of_the_cookie_and_a_restart_does_not_revive_them(
    app, users_folder, browser: Browser
):
    browser.sign_in("Lena")
    thief = Browser(app)
    stolen = browser.cookie()
    thief.set_cookie(stolen)
    assert is_in(thief)
    answer = browser.post("/sign-out")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/sign-in")
    assert answer.headers["Clear-Site-Data"] == '"cache", "storage"'
    assert not is_in(browser)
    assert not is_in(thief)
    again = Browser(create_app(users_folder, ServedAddress(proxies=1, public_url=ADDRESS)))
    again.set_cookie(stolen)
    assert not is_in(again)


def test_a_sign_out_holds_while_the_store_cannot_take_it(browser: Browser, app, monkeypatch):
    browser.sign_in("Lena")
    thief = Browser(app)
    thief.set_cookie(browser.cookie())

    def busy(*_):
        raise StoreTrouble("The store is busy.")

    monkeypatch.setattr(sessions, "end_sign_ins", busy)
    browser.post("/sign-out")
    assert not is_in(thief)


def test_only_a_post_signs_out(browser: Browser):
    browser.sign_in("Lena")
    browser.get("/sign-out")
    assert is_in(browser)


def test_a_new_password_and_a_removal_end_sign_ins_at_once(visitor: Browser):
    assert is_in(visitor)
    reset_password(visitor.engine, "Visitor", PASSWORD)
    assert not is_in(visitor)
    visitor.sign_in("Visitor")
    assert is_in(visitor)
    remove_user(visitor.engine, "Visitor")
    assert not is_in(visitor)
    assert visitor.page("/").status_code == 401


def test_a_sign_in_ends_when_idle_and_in_any_case_after_its_longest_time(visitor, monkeypatch):
    start = sessions.time.time()
    clock = {"now": start}
    monkeypatch.setattr(sessions.time, "time", lambda: clock["now"])
    idle, longest = 12 * 3600, 7 * 24 * 3600
    clock["now"] += idle - 1
    assert is_in(visitor)  # being there counts anew
    clock["now"] += idle - 1
    assert is_in(visitor)
    clock["now"] += idle + 1
    assert not is_in(visitor)
    visitor.sign_in("Visitor")
    begun = clock["now"]
    while clock["now"] + idle / 2 < begun + longest:
        clock["now"] += idle / 2
        assert is_in(visitor)
    clock["now"] = begun + longest + 1
    assert not is_in(visitor)


def test_the_crew_sets_how_long_sign_ins_last(users_folder: Path, tmp_path: Path, monkeypatch):
    shutil.copytree(users_folder, tmp_path / "crew")
    toml = tmp_path / "crew" / "crew.toml"
    toml.write_text(toml.read_text() + "\n[access]\nidle_hours = 0.5\n", encoding="utf-8")
    browser = Browser(create_app(tmp_path / "crew", ServedAddress(proxies=1, public_url=ADDRESS)))
    clock = {"now": sessions.time.time()}
    monkeypatch.setattr(sessions.time, "time", lambda: clock["now"])
    browser.sign_in("Lena")
    clock["now"] += 1700
    assert is_in(browser)
    clock["now"] += 1900
    assert not is_in(browser)


def test_an_open_page_that_asks_by_itself_does_not_keep_a_sign_in_alive(visitor, monkeypatch):
    clock = {"now": sessions.time.time()}
    monkeypatch.setattr(sessions.time, "time", lambda: clock["now"])
    for _ in range(3):
        clock["now"] += 6 * 3600 + 1
        last = visitor.call(
            "results-version.data",
            [{"id": "results-timer", "property": "n_intervals", "value": 3}],
            [{"id": "results-version", "property": "data", "value": "1"}],
            outputs={"id": "results-version", "property": "data"},
            triggered="results-timer.n_intervals",
        ).status_code
    assert last == 401


def test_too_many_wrong_passwords_are_refused_even_with_the_right_one(app, monkeypatch):
    monkeypatch.setattr(
        "dashboard.access.sign_in.password_matches", lambda given, _hash: given == PASSWORD
    )
    browser = Browser(app)
    answers = [browser.sign_in("alder@work", f"wrong wrong {n}").status_code for n in range(12)]
    assert answers == [401] * 8 + [429] * 4
    blocked = browser.sign_in("Alder@WORK")
    assert blocked.status_code == 429
    assert 0 < int(blocked.headers["Retry-After"]) <= 900
    assert "Too many wrong passwords. Try again in 15 min." in blocked.get_data(as_text=True)
    # others of the same crew still can
    assert browser.sign_in("Tove").status_code == 303


@pytest.mark.parametrize(
    "wanted",
    ["https://evil.example", "//evil.example", "/\\evil.example", "javascript:alert(1)", "",
     "/a\r\nSet-Cookie: x=1", "/" + "x" * 3000, "/sign-out", "evil"],
)  # fmt: skip
def test_the_way_on_leads_nowhere_else(wanted):
    assert own_address(wanted) == "/"


def test_what_was_typed_is_repeated_as_text(browser: Browser):
    page = browser.sign_in('"><script>alert(1)</script>', "wrong wrong wrong").get_data(
        as_text=True
    )
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page
    page = browser.get("/sign-in?next=/%22%3E%3Cscript%3E").get_data(as_text=True)
    assert '"><script>' not in page


def test_a_form_larger_than_a_name_and_a_password_is_refused(browser: Browser):
    answer = browser.post("/sign-in", data={"name": "Lena", "password": "x" * 20_000})
    assert answer.status_code == 413
