"""`arcdrift user`: users are added, listed, removed; passwords never stand on the command line."""

import io
import os
from pathlib import Path
from unittest.mock import Mock

import pytest

from arcdrift.store.accounts import user_accounts
from arcdrift.store.accounts.user_accounts import find_user
from arcdrift.store.database.connect import open_store, writing

PASSWORD = "kettle orbit plum 7"


class Terminal(io.StringIO):
    """Standard input of a person at a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Stores passwords as they are: the hash takes time and is tested elsewhere."""
    monkeypatch.setattr(user_accounts, "hash_password", lambda password, name: password)
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{PASSWORD}\r\n"))


def stored(crew, name):
    engine = open_store(crew)
    try:
        return find_user(engine, name)
    finally:
        engine.dispose()


def test_a_user_is_added_listed_and_removed(analyzed, arcdrift):
    assert "Nobody can sign in yet" in arcdrift("user", "list").out
    done = arcdrift("user", "add", "Alder", "--role", "technician", "--password-stdin")
    assert done.code == 0
    assert "Alder may now sign in as technician." in done.out
    assert stored(analyzed, "Alder").password_hash == PASSWORD
    row = arcdrift("user", "list", "--json").data[0]
    assert (row["name"], row["role"], row["technician"]) == ("Alder", "technician", "Alder")
    assert PASSWORD not in str(row)
    assert " Alder" in arcdrift("user", "list").out
    assert "signed out everywhere" in arcdrift("user", "remove", "alder").out
    assert arcdrift("user", "list", "--json").data == []


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such rights")
def test_the_first_user_makes_the_store_private(analyzed, arcdrift):
    def mode(name):
        return (analyzed / name).stat().st_mode & 0o777

    assert arcdrift("backup").code == 0
    (analyzed / "arcdrift.log").write_text("old\n")
    (analyzed / "arcdrift.log").chmod(0o640)
    (analyzed / "arcdrift.db").chmod(0o644)
    done = arcdrift("user", "add", "Lena", "--role", "lead", "--password-stdin")
    assert done.code == 0
    told = " ".join(done.err.split())
    assert told == (
        "Other users of this computer can no longer read or change arcdrift.db and arcdrift.log, "
        "since people sign in to this crew."
    )
    assert (mode("arcdrift.db"), mode("arcdrift.log")) == (0o600, 0o600)
    engine = open_store(analyzed)
    with writing(engine) as connection:  # what SQLite makes beside it has the same rights
        beside = [path.name for path in analyzed.glob("arcdrift.db-*")]
        assert {"arcdrift.db-wal", "arcdrift.db-shm"} <= set(beside)
        assert {mode(name) for name in beside} == {0o600}
        del connection
    engine.dispose()
    (backup,) = (analyzed / "backups").glob("*.zip")
    assert backup.stat().st_mode & 0o777 == 0o600
    assert arcdrift("restore", backup, analyzed / "again").code == 0
    assert mode("again/arcdrift.db") == 0o600
    again = arcdrift("user", "remove", "Lena")
    assert (again.code, again.err) == (0, "")


def test_a_file_of_somebody_else_is_told(analyzed, arcdrift, monkeypatch):
    (analyzed / "arcdrift.db").chmod(0o644)
    monkeypatch.setattr(Path, "chmod", Mock(side_effect=PermissionError))
    done = arcdrift("user", "add", "Lena", "--role", "lead", "--password-stdin")
    assert done.code == 0
    assert "may read or change arcdrift.db, and this user cannot forbid it; let the owner" in (
        " ".join(done.err.split())
    )


def test_a_technician_whom_no_log_names_is_noticed(analyzed, arcdrift):
    done = arcdrift("user", "add", "New", "--role", "technician", "--password-stdin",
                    "--technician", "Zelkova")  # fmt: skip
    assert done.code == 0
    assert "No analyzed log names the technician 'Zelkova' yet" in " ".join(done.err.split())


def test_the_password_is_asked_for_twice_in_a_terminal(crew, arcdrift, monkeypatch):
    monkeypatch.setattr("sys.stdin", Terminal())
    asked = []

    def prompt(text, **how):
        asked.append((text, how["hide_input"], bool(how["confirmation_prompt"])))
        return PASSWORD

    monkeypatch.setattr("typer.prompt", prompt)
    assert arcdrift("user", "add", "Lead", "--role", "lead").code == 0
    first = stored(crew, "Lead").session_key
    assert arcdrift("user", "reset", "Lead").code == 0
    assert asked == [("New password", True, True)] * 2
    assert stored(crew, "Lead").session_key != first


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["add", "Lead", "--role", "boss", "--password-stdin"], "There is no role 'boss'"),
        (["add", "Lead", "--role", "lead"], "give --password-stdin"),
        (["reset", "Nobody", "--password-stdin"], "There is no user 'Nobody'"),
        (["remove", "Nobody"], "There is no user 'Nobody'; there are: none."),
        ([], "`arcdrift user add`, `list`, `remove` or `reset`"),
    ],
)
def test_refused_in_a_sentence(words, message, crew, arcdrift):
    done = arcdrift("user", *words)
    assert done.code == 2
    assert message in done.sentence


def test_no_option_takes_a_password(crew, arcdrift):
    done = arcdrift("user", "add", "Lead", "--role", "lead", "--password", PASSWORD)
    assert done.code == 2
    assert PASSWORD not in done.err
