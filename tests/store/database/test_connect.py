"""Opening stores: made, brought up to date, or refused in a sentence."""

import sqlite3
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import insert, text

from arcdrift.errors import StoreTrouble
from arcdrift.store import schema
from arcdrift.store.database.connect import (
    held_snapshot,
    open_store,
    place,
    reading,
    snapshot,
    store_errors,
    writing,
)
from arcdrift.store.database.sqlite import read_only_file
from arcdrift.store.database.upgrade import HEAD
from arcdrift.store.results.result_rows import read_result


def test_a_store_is_made_once_and_opened_again(tmp_path):
    open_store(tmp_path)
    engine = open_store(f"sqlite:///{tmp_path / 'arcdrift.db'}")
    with engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
    assert place(engine) == str(tmp_path / "arcdrift.db")


def test_readers_do_not_wait_for_a_writer(tmp_path):
    engine = open_store(tmp_path)
    with writing(engine) as writer:
        writer.execute(text("DELETE FROM imports"))
        with engine.connect() as reader:
            assert reader.execute(text("SELECT count(*) FROM imports")).scalar() == 0


def test_an_error_undoes_everything_written(tmp_path):
    engine = open_store(tmp_path)
    insert = text(
        "INSERT INTO analysis_run (id, assessed_on, now, version, records_version, seconds, "
        "splices, checks, summary) VALUES (1, 0, 0, '', '', 0, 0, 0, '')"
    )

    def write_and_fail():
        with writing(engine) as connection:
            connection.execute(insert)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        write_and_fail()
    with engine.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM analysis_run")).scalar() == 0


def test_a_newer_store_is_refused(tmp_path):
    engine = open_store(tmp_path)
    with writing(engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0999'"))
    with pytest.raises(StoreTrouble) as caught:
        open_store(tmp_path)
    assert str(caught.value) == (
        f"The store {tmp_path / 'arcdrift.db'} was made by a newer arcdrift (its version is "
        f"0999, this one knows up to {HEAD}); update arcdrift."
    )
    assert caught.value.exit_code == 4


def test_a_missing_folder_is_refused(tmp_path):
    folder = tmp_path / "crew"
    with pytest.raises(StoreTrouble) as caught:
        open_store(folder)
    assert str(caught.value) == (
        f"The crew folder {folder} does not exist; make one with `arcdrift init {folder}`."
    )


def test_a_file_in_place_of_a_folder_is_refused(tmp_path):
    path = tmp_path / "crew.toml"
    path.write_text("")
    with pytest.raises(StoreTrouble) as caught:
        open_store(path)
    assert str(caught.value) == f"{path} is a file; give the crew folder that holds crew.toml."


@pytest.mark.parametrize("content", [b"not a database, but long enough " * 40, b"\0" * 5000])
def test_a_damaged_store_is_refused(tmp_path, content):
    path = tmp_path / "arcdrift.db"
    path.write_bytes(content)
    with pytest.raises(StoreTrouble) as caught:
        open_store(tmp_path)
    assert str(caught.value) == (
        f"The store {path} is damaged or is not a store, and no backup of it was found in "
        f"{tmp_path / 'backups'}; copy the folder, then see what can be saved (README, A damaged "
        "store)."
    )


def test_a_store_cut_short_is_refused(tmp_path):
    open_store(tmp_path)
    path = tmp_path / "arcdrift.db"
    path.write_bytes(path.read_bytes()[:5000])
    with pytest.raises(StoreTrouble, match="is damaged or is not a store"):
        open_store(tmp_path)


def test_another_database_is_refused(tmp_path):
    path = tmp_path / "arcdrift.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE invoices (id)")
    connection.close()
    with pytest.raises(StoreTrouble) as caught:
        open_store(tmp_path)
    assert str(caught.value) == (
        f"{path} is a database, but not an arcdrift store; move it away or choose another crew "
        f"folder."
    )


def test_a_place_that_cannot_be_written_is_refused(tmp_path):
    (tmp_path / "arcdrift.db").mkdir()  # stands for any file that cannot be opened
    with pytest.raises(StoreTrouble) as caught:
        open_store(tmp_path)
    assert str(caught.value) == (
        f"The store {tmp_path / 'arcdrift.db'} cannot be written; check the folder's permissions "
        f"and that its disk is there."
    )


def test_a_folder_without_write_permission_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(read_only_file.os, "access", lambda path, mode: False)
    with pytest.raises(StoreTrouble, match="cannot be written; check the folder's permissions"):
        open_store(tmp_path)


@pytest.mark.parametrize(
    ("message", "sentence"),
    [
        ("database is locked", "The store s is busy with other work; try again in a minute."),
        (
            "database or disk is full",
            "The store s cannot grow because the disk is full; make room and try again.",
        ),
        (
            "attempt to write a readonly database",
            "The store s cannot be written; check the folder's permissions and that its disk is "
            "there.",
        ),
        ("server closed\n\tthe door.", "The store s cannot be used: server closed the door."),
    ],
)
def test_what_a_database_says_becomes_a_sentence(tmp_path, message, sentence):
    engine = open_store(tmp_path)
    with pytest.raises(StoreTrouble) as caught, store_errors(engine):
        raise sqlite3.OperationalError(message)
    assert str(caught.value) == sentence.replace(" s ", f" {place(engine)} ", 1)


@pytest.mark.parametrize(
    ("address", "sentence"),
    [
        ("sqlite://", "A store in memory would be lost at once; give a crew folder."),
        ("sqlite:///:memory:", "A store in memory would be lost at once; give a crew folder."),
        (
            "nonsense://x",
            "The store's address is not understood; write it like postgresql://user@host/name.",
        ),
        (
            "mysql+absentdriver://x/y",
            "The store's address is not understood; write it like postgresql://user@host/name.",
        ),
    ],
)
def test_an_address_that_cannot_be_used_is_refused(address, sentence):
    with pytest.raises(StoreTrouble) as caught:
        open_store(address)
    assert str(caught.value) == sentence


def test_a_server_needs_its_driver(monkeypatch):
    monkeypatch.setitem(sys.modules, "psycopg", None)
    monkeypatch.delitem(
        sys.modules, "arcdrift.store.database.postgresql.server_engine", raising=False
    )
    with pytest.raises(StoreTrouble) as caught:
        open_store("postgresql://lead@db/north")
    assert str(caught.value) == (
        "A store on PostgreSQL needs the Python package psycopg, which is not installed; install "
        "arcdrift with its extra: `pip install '.[postgresql]'`."
    )


def test_all_that_is_read_in_a_snapshot_is_of_one_state(engine):
    """Frames too, by the connection of the snapshot; other threads read what is there now."""
    with ThreadPoolExecutor(1) as others, snapshot(engine) as outer:
        assert read_result(engine, "analysis_run").empty
        with writing(engine) as connection:
            connection.execute(insert(schema.RESULTS["analysis_run"]).values(RUN))
        with snapshot(engine), reading(engine) as inner:
            assert inner is outer
        assert read_result(engine, "analysis_run").empty
        assert len(others.submit(read_result, engine, "analysis_run").result()) == 1
    assert len(read_result(engine, "analysis_run")) == 1


def test_a_snapshot_is_of_one_store(engine, tmp_path):
    folder = tmp_path / "other"
    folder.mkdir()
    other = open_store(folder)
    with writing(other) as connection:
        connection.execute(insert(schema.RESULTS["analysis_run"]).values(RUN))
    with snapshot(engine):
        assert len(read_result(other, "analysis_run")) == 1
        assert read_result(engine, "analysis_run").empty


def test_trouble_within_a_snapshot_is_told_and_ends_it(engine):
    with pytest.raises(StoreTrouble), snapshot(engine), reading(engine) as connection:
        connection.execute(text("SELECT * FROM nothing"))
    assert held_snapshot(engine) is None
    assert read_result(engine, "analysis_run").empty


RUN = {
    "id": 1, "assessed_on": 0, "now": 0, "version": "", "records_version": "", "seconds": 0.0,
    "splices": 0, "checks": 0, "summary": "",
}  # fmt: skip
