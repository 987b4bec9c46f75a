"""No page, callback or download shows a technician another's name or figures; each states a role.

The walk covers all that is registered: a page, callback, route or result table that is new fails
here until it states who may use it, and how a browser asks for it.
"""

import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from dash import Dash

from arcdrift.people import Viewer
from arcdrift.store import schema
from arcdrift.store.annotations.baseline_marks import add_mark
from arcdrift.store.annotations.coaching import add_note
from arcdrift.store.database.connect import open_store
from dashboard.access.page_roles import LEAST_ROLES
from dashboard.access.roles import ANYBODY, DASH_ROUTES, least_role
from dashboard.access.served_address import ServedAddress
from dashboard.app import create_app
from dashboard.pages import PAGES, PAGES_OF_RECORDS, TABLES
from dashboard.reading import people_in_results
from dashboard.reading.data import CrewData
from dashboard.reading.stored_results import AllResults
from tests.dashboard.access.conftest import add_users
from tests.dashboard.access.signing_in import ADDRESS, USERS, Browser
from tests.dashboard.access.walking import CALLS, QUERIES, callbacks, note_a_session, walk
from tests.dashboard.invented import NAMING, findings
from tests.dashboard.invented_prep import PEOPLE
from tests.dashboard.test_plain_words import crew_with

ABOUT = replace(
    findings()[0], kind="cleave-raised", subject_type="technician", subject_id="Birch",
    summary="Birch: angles are high.",
)  # fmt: skip


@pytest.fixture(scope="module")
def telling(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A crew in which people wrote about each other wherever they could."""
    folder = tmp_path_factory.mktemp("telling")
    crew_with(folder, [*findings(), NAMING, ABOUT])
    engine = open_store(folder)

    for name in PEOPLE:
        add_note(engine, name, date(2025, 5, 5), "cleaving", "sat beside Cedar and Birch", "Tove")
    add_mark(
        engine, action="exclude", first_day=date(2025, 5, 6), last_day=date(2025, 5, 6),
        splicer="Kestrel", program=None, note="Birch had the wrong reel", said_by="Cedar",
    )  # fmt: skip
    with engine.begin() as connection:
        connection.execute(schema.splices.update().values(remark="Birch made it, not Alder"))
        connection.execute(schema.service.update().values(remark="by Cedar"))
    engine.dispose()
    add_users(folder)
    return folder


@pytest.fixture(scope="module")
def walked(telling: Path):
    """What each user was answered, walked once, before anything was changed."""
    kept: dict[str, dict[tuple[str, str], str]] = {}

    def answers(name: str) -> dict[tuple[str, str], str]:
        if name not in kept:
            kept[name] = _walked(telling, name)
        return kept[name]

    return answers


def _walked(folder: Path, name: str) -> dict[tuple[str, str], str]:
    browser = Browser(create_app(folder, ServedAddress(proxies=1, public_url=ADDRESS)))
    assert browser.sign_in(name).status_code == 303
    # of others than technicians it is enough to know that all answers
    queries = QUERIES if USERS[name][0] == "technician" else QUERIES[:3]
    return {(where, query): text for where, query, text in walk(browser, queries)}


LONG = pytest.mark.long


@pytest.mark.parametrize("user", ["alder@work", pytest.param("birch@work", marks=LONG)])
def test_a_technician_is_told_no_other_name(walked, user: str):
    own = USERS[user][1]
    leaks = {}
    for (where, query), text in walked(user).items():
        found = set(re.findall("|".join(set(PEOPLE) - {own}), text))
        # a page repeats what its address says, and a page of that name says there is none
        leaks[where, query] = {name for name in found if name not in query}
    assert {where: names for where, names in leaks.items() if names} == {}
    assert sum(own in text for text in walked(user).values()) > 20


def test_a_technician_is_told_no_figure_of_others(telling: Path, walked, monkeypatch):
    """Whatever the others' figures are, this technician is told the same."""
    as_stored = AllResults.result

    def with_other_figures(self: AllResults, table: str, /, **equals: str) -> pd.DataFrame:
        rows = as_stored(self, table, **equals)
        columns = people_in_results.FIGURES.get(table)
        if columns is None:
            return rows
        others = rows[columns.name] != "Alder"
        if columns.kind:
            others &= rows[columns.kind] == "technician"
        changed = rows.copy()
        for column in changed.select_dtypes("number"):
            changed[column] = changed[column].mask(others, changed[column] * 3 + 7)
        # and one person more
        more = changed[others].head(1).assign(**{columns.name: "Zelkova"})
        return pd.concat([changed, more], ignore_index=True)

    before = walked("alder@work")
    monkeypatch.setattr(AllResults, "result", with_other_figures)
    after = _walked(telling, "alder@work")
    differing = {key for key, text in before.items() if _steady(after[key]) != _steady(text)}
    assert differing == set()


def _steady(text: str) -> str:
    """Cut off what differs from one reading to the next."""
    return re.sub(r'reference [0-9A-F]{8}|"end_id":"[^"]*"|"at":[0-9.]+|<time.*?</time>', "", text)


@pytest.mark.parametrize(
    "user", ["alder@work", *(pytest.param(name, marks=LONG) for name in ("Lena", "Tove"))]
)
def test_every_answer_is_a_page_or_a_refusal(walked, user: str):
    wrong = [
        where
        for where, text in walked(user).items()
        if "Something went wrong" in text or "Internal Server Error" in text
    ]
    assert wrong == []


@LONG
def test_leads_and_trainers_see_everybody(walked):
    for user in ("Lena", "Tove"):
        seen = walked(user)
        for name in PEOPLE:
            assert name in seen["/csv/coaching/people.csv", ""]
            assert name in seen["page /coaching", ""]
    assert "Not for this sign-in" in walked("birch@work")["page /budget", ""]
    assert "Not for this sign-in" not in walked("Tove")["page /budget", ""]


def test_every_page_states_its_role():
    assert set(LEAST_ROLES) == {*PAGES, *PAGES_OF_RECORDS}, (
        "say in dashboard/access/page_roles.py who may open it"
    )
    assert {f"/{page}" for page, _ in TABLES} <= set(PAGES)


def test_every_callback_states_its_role_and_is_walked(app: Dash):
    functions = {
        name: app.callback_map[output]["callback"] for name, output in callbacks(app).items()
    }
    unstated = [name for name, function in functions.items() if least_role(function) is None]
    assert unstated == [], "state who may call it with @for_role(...) below @app.callback(...)"
    assert set(functions) == set(CALLS), "say in walking.py how a browser asks for it"
    assert all(known["callback"] for known in app.callback_map.values() if "callback" in known)


def test_every_route_states_its_role(app: Dash):
    for endpoint, function in app.server.view_functions.items():
        assert endpoint in DASH_ROUTES or least_role(function), endpoint
    open_to_all = {
        endpoint
        for endpoint, function in app.server.view_functions.items()
        if ANYBODY in (DASH_ROUTES.get(endpoint), least_role(function))
    }
    assert open_to_all == {
        "_dash_assets.static",
        "health",
        "manifest",
        "pocket_worker",
        "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>",
        "/_favicon.ico",
        "show_sign_in",
        "sign_in",
        "sign_out",
    }


def test_what_states_no_role_is_for_leads_only(users_folder: Path, monkeypatch):
    monkeypatch.delitem(LEAST_ROLES, "/checks")
    app = create_app(users_folder, ServedAddress(proxies=1, public_url=ADDRESS))
    output = callbacks(app)["fill_shift"]
    vars(app.callback_map[output]["callback"]).pop("least_role")
    for user, status in (("Lena", 200), ("Tove", 403), ("birch@work", 403)):
        browser = Browser(app)
        browser.sign_in(user)
        assert CALLS["fill_shift"](browser).status_code == status
        assert browser.get("/csv/checks/compliance.csv").status_code == status
        told = "Not for this sign-in" in browser.page("/checks").get_data(as_text=True)
        assert told == (status == 403)


def test_every_result_table_is_known_to_be_about_people_or_not(users_folder: Path):
    lists = (
        people_in_results.FIGURES,
        people_in_results.RECORDS,
        people_in_results.PERSON_EFFECTS,
        people_in_results.DOCUMENTS,
        people_in_results.WITHOUT_PEOPLE,
    )
    known = [name for names in lists for name in names]
    assert sorted(known) == sorted(set(known))
    readable = {name for name in schema.RESULTS if name != "result_definitions"}
    assert set(known) == readable, "say in dashboard/reading/people_in_results.py what it names"
    for table in people_in_results.WITHOUT_PEOPLE:
        assert "technician" not in schema.RESULTS[table].columns
        assert "subject_type" not in schema.RESULTS[table].columns
    data = CrewData(users_folder, Viewer("technician", "Alder"))
    for table in ("result_new", *people_in_results.DOCUMENTS):
        with pytest.raises(PermissionError, match="nobody has said whether"):
            people_in_results.visible_results(data.people, table, pd.DataFrame())


@pytest.mark.parametrize(
    ("user", "statuses"),
    [
        ("Lena", {"change_baseline": 200, "change_coaching": 200, "save_budget": 200}),
        ("Tove", {"change_baseline": 403, "change_coaching": 200, "save_budget": 403}),
        ("birch@work", {"change_baseline": 403, "change_coaching": 403, "save_budget": 403}),
    ],
)
def test_changes_are_made_by_those_who_may(tmp_path: Path, user: str, statuses):
    crew_with(tmp_path, findings())
    add_users(tmp_path)
    browser = Browser(create_app(tmp_path, ServedAddress(proxies=1, public_url=ADDRESS)))
    browser.sign_in(user)
    assert {name: CALLS[name](browser).status_code for name in statuses} == statuses
    engine = open_store(tmp_path)
    with engine.connect() as connection:
        marks = connection.execute(schema.baseline_marks.select()).mappings().all()
        notes = connection.execute(schema.coaching.select()).mappings().all()
    engine.dispose()
    # whoever signed in is who wrote it, whatever the form says
    assert [row["said_by"] for row in marks] == [user] * (statuses["change_baseline"] == 200)
    assert [row["said_by"] for row in notes] == [user] * (statuses["change_coaching"] == 200)


def test_the_data_refuse_what_a_callback_would_let_through(users_folder: Path):
    """The role is checked below the callbacks, too."""
    data = CrewData(users_folder, Viewer("technician", "Alder"))
    for change in (
        lambda: data.add_mark(),
        lambda: data.withdraw_mark(1),
        lambda: data.save_budget(1.0, data.crew.shares),
        lambda: data.add_note("Alder"),
        lambda: data.withdraw_note("Alder", 1),
    ):
        with pytest.raises(Exception, match=r"Only a (lead|trainer) may"):
            change()
    assert data.coaching_notes("Birch").empty
    assert data.signature_splices("Birch", "both-sides") is None
    assert data.worked_by("Birch").empty


def test_a_technician_writes_in_nobodys_coaching_log(signed_in):
    for name in PEOPLE:
        assert note_a_session(signed_in("birch@work"), name).status_code == 403


def test_an_unknown_or_odd_callback_is_refused(signed_in):
    browser = signed_in("birch@work")
    for body in ({"output": "nothing.data"}, {"output": {"a": 1}}, {}, []):
        assert browser.post("/_dash-update-component", json=body).status_code == 403
    assert browser.post("/_dash-update-component", data="x").status_code == 403
    assert json.loads(browser.page("/").get_data(as_text=True))
