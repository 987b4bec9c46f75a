"""``arcdrift move``, and a crew whose records are on a server: commands answer as with a file."""

import json
from pathlib import Path
from typing import Any

import pytest

from arcdrift.settings import load_crew
from tests.postgresql_server import Server, postgresql_server

pytestmark = pytest.mark.postgresql
COMMANDS = ("findings", "checks", "imports", "quarantine", "prep", "advise Heron")


@pytest.fixture
def server() -> Server:
    return postgresql_server()


@pytest.fixture
def address(server: Server) -> str:
    name = server.new_database()
    server.execute("DROP SCHEMA arcdrift CASCADE", database=name)
    return server.address(name)


def test_a_crew_is_moved_answers_there_and_comes_back(
    analyzed: Path, arcdrift: Any, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = [arcdrift(*command.split()) for command in COMMANDS]
    monkeypatch.setenv("NORTH_STORE", address)
    moved = arcdrift("move", "$NORTH_STORE")
    assert moved.code == 0, moved
    assert "the counts and checksums of all tables agree" in " ".join(moved.out.split())
    assert load_crew(analyzed).store == "$NORTH_STORE"
    assert [arcdrift(*command.split()) for command in COMMANDS] == before
    log = analyzed / "late.csv"
    log.write_text("splicer,spliced_at,loss_db\nHeron,2026-05-04 10:01:00Z,0.04\n")
    (report,) = arcdrift("import", log, "--json").data
    assert report["accepted"] == 1
    assert arcdrift("analyze").code == 0
    there = [arcdrift(*command.split()) for command in COMMANDS]
    back = arcdrift("move", "file", "--json")
    assert json.loads(back.out)["tables"]["imports"]["rows"] == 3
    assert load_crew(analyzed).store is None
    assert [arcdrift(*command.split()) for command in COMMANDS] == there


def test_what_cannot_be_moved_is_said(crew: Path, arcdrift: Any) -> None:
    settings = (crew / "crew.toml").read_bytes()
    for to, sentence in (
        ("postgresql://lead:secret@db/north", "the address holds a password; take it out"),
        ("elsewhere", "write an address such as postgresql://user@host/name"),
        ("file", "already; nothing was moved"),
    ):
        refused = arcdrift("move", to)
        assert (refused.code, sentence in refused.sentence) == (2, True), refused
        assert "secret" not in refused.err
    unset = arcdrift("move", "$NORTH_STORE")
    assert (unset.code, "NORTH_STORE, which holds none" in unset.sentence) == (4, True)
    assert (crew / "crew.toml").read_bytes() == settings


def test_a_server_that_is_down_ends_every_command_with_a_sentence(
    crew: Path, arcdrift: Any, server: Server
) -> None:
    store = server.new_database()
    text = (crew / "crew.toml").read_text()
    (crew / "crew.toml").write_text(f'store = "{server.address(store)}"\n{text}')
    assert arcdrift("import", "splices.csv").code == 0
    server.stop()
    try:
        for command in ("import arc-checks.csv", "analyze", "findings", "serve --port 65531"):
            done = arcdrift(*command.split())
            assert done.code == 4, done
            assert "does not answer; see that PostgreSQL runs there" in done.sentence
    finally:
        server.start()
    assert arcdrift("import", "arc-checks.csv").code == 0
