"""``arcdrift backup`` and ``arcdrift restore``: what is in a backup, and that it comes back."""

import json
import os
import sqlite3
import threading
import zipfile
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from arcdrift.backup import backup_writing, store_snapshot
from arcdrift.backup.archive_check import unpack_checked
from arcdrift.backup.backup_writing import write_backup
from arcdrift.backup_files import backups_in, newest_backup
from arcdrift.errors import BadInput, StoreTrouble
from arcdrift.settings import load_crew
from arcdrift.store.accounts.user_accounts import add_user
from arcdrift.store.database.connect import open_store, writing
from tests.robust.tools import everything

COMMANDS = ("findings --json", "checks --json", "imports --json", "prep --json", "cases --json")


def names(folder: Path) -> list[str]:
    """All files and folders in a folder, but those that SQLite makes while a store is open."""
    return sorted(
        path.name for path in folder.iterdir() if not path.name.endswith(("-shm", "-wal"))
    )


def test_a_crew_comes_back_whole_and_gives_the_same_findings(
    crew: Path, arcdrift: Any, tmp_path: Path
) -> None:
    made = arcdrift("backup", "--crew", crew, "--json").data
    (path,) = (crew / "backups").iterdir()
    assert made["file"] == str(path)
    assert made["tables"]["splices"]["rows"] == 7
    assert made["tables"]["arc_checks"]["rows"] == 3
    new = tmp_path / "new" / "crew"
    done = arcdrift("restore", path, new)
    assert done.code == 0, done
    assert "all counts and checksums agree" in " ".join(done.out.split())
    assert names(new) == ["arcdrift.db", "crew.toml", "layouts", "words"]
    for name in ("crew.toml", "layouts/heron.toml", "words/own.toml"):
        assert (new / name).read_bytes() == (crew / name).read_bytes()
    assert everything(new) == everything(crew)
    answers = [arcdrift(*command.split(), "--crew", crew).data for command in COMMANDS]
    assert [arcdrift(*command.split(), "--crew", new).data for command in COMMANDS] == answers
    assert arcdrift("analyze", "--from-scratch", "--crew", new).code == 0
    assert [arcdrift(*command.split(), "--crew", new).data for command in COMMANDS] == answers
    with closing(sqlite3.connect(new / "arcdrift.db")) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_what_signs_people_in_is_left_out_and_said(
    crew: Path, arcdrift: Any, tmp_path: Path
) -> None:
    engine = open_store(crew)
    add_user(engine, "Lena", "a long enough password", "lead", None)
    with writing(engine) as connection:
        key = connection.exec_driver_sql("SELECT session_key FROM users").scalar_one()
        connection.exec_driver_sql("INSERT INTO ended_sign_ins VALUES ('ended-sign-in', 1)")
    engine.dispose()
    path = tmp_path / "copy.zip"
    done = arcdrift("backup", path, "--crew", crew)
    words = " ".join(done.out.split())
    assert "arcdrift.key" in words
    assert "hashes of the users' passwords" in words
    if os.name == "posix":
        assert path.stat().st_mode & 0o777 == 0o600
    with zipfile.ZipFile(path) as archive:
        assert "arcdrift.key" not in archive.namelist()
        held = b"".join(archive.read(name) for name in archive.namelist())
    for secret in (key.encode(), b"ended-sign-in", b"00" * 32):
        assert secret not in held
    assert b"$argon2id$" in held  # the users come back with their passwords


def test_a_backup_of_one_state_is_made_while_others_write(
    crew: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two tables are changed together all the time, and are equal in the copy."""
    engine = open_store(crew)
    other = open_store(crew)
    with writing(engine) as connection:
        for name in ("left_side", "right_side"):
            connection.exec_driver_sql(f"CREATE TABLE {name} (n INTEGER, filling TEXT)")
        connection.exec_driver_sql(
            "WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c WHERE n < 3000) "
            "INSERT INTO left_side SELECT n, hex(randomblob(200)) FROM c"
        )
        connection.exec_driver_sql("INSERT INTO right_side SELECT * FROM left_side")
    monkeypatch.setattr("arcdrift.store.database.sqlite.file_copy._STEP_PAGES", 20)
    written = 0

    def write_between_steps(step: str, _done: int, _whole: int) -> None:
        nonlocal written
        if step == "Copying" and written < 20:
            written += 1
            with writing(other) as connection:
                for name in ("left_side", "right_side"):
                    connection.exec_driver_sql(f"INSERT INTO {name} VALUES (-1, 'late')")  # noqa: S608
                    connection.exec_driver_sql(f"DELETE FROM {name} WHERE n = {written}")  # noqa: S608

    made = write_backup(
        engine, crew, load_crew(crew), tmp_path / "b.zip", progress=write_between_steps
    )
    assert written == 20
    left, right = made.manifest.tables["left_side"], made.manifest.tables["right_side"]
    assert left == right
    assert left.rows == 3000  # the state at its beginning
    engine.dispose()
    other.dispose()


def test_only_the_newest_are_kept_and_only_those_of_this_crew(
    crew: Path, arcdrift: Any, tmp_path: Path
) -> None:
    place = tmp_path / "disk"
    place.mkdir()
    (place / "arcdrift-invented-crew-20200101T000000Z.zip").write_bytes(b"of another program")
    (place / "notes.zip").write_bytes(b"notes")
    for _ in range(3):
        assert arcdrift("backup", place, "--crew", crew).code == 0
    assert len(backups_in(place)) == 4
    text = (crew / "crew.toml").read_text("utf-8")
    (crew / "crew.toml").write_text(text.replace("Invented crew", "Other crew"), "utf-8")
    assert arcdrift("backup", place, "--crew", crew).code == 0
    (crew / "crew.toml").write_text(text, "utf-8")
    done = arcdrift("backup", place, "--keep", 2, "--crew", crew, "--json").data
    assert len(done["removed"]) == 2
    kept = [json_of(path)["crew"] for path in backups_in(place) if path.stat().st_size > 100]
    assert sorted(kept) == ["Invented crew", "Invented crew", "Other crew"]
    assert (place / "arcdrift-invented-crew-20200101T000000Z.zip").exists()
    assert newest_backup(crew) == Path(done["file"])


def json_of(path: Path) -> dict[str, Any]:
    with zipfile.ZipFile(path) as archive:
        manifest: dict[str, Any] = json.loads(archive.read("manifest.json"))
    return manifest


def test_what_cannot_be_a_backup_is_refused(crew: Path, arcdrift: Any, tmp_path: Path) -> None:
    path = tmp_path / "b.zip"
    path.write_bytes(b"kept")
    refused = arcdrift("backup", path, "--crew", crew)
    assert (refused.code, "no backup is overwritten" in refused.sentence) == (2, True)
    assert path.read_bytes() == b"kept"
    other = arcdrift("backup", tmp_path / "crew" / "crew.toml", "--crew", crew)
    assert (other.code, "neither a folder nor a name" in other.sentence) == (2, True)
    counted = arcdrift("backup", tmp_path / "new.zip", "--keep", 2, "--crew", crew)
    assert (counted.code, "give a folder" in counted.sentence) == (2, True)


@pytest.mark.parametrize("fault", ["flip", "cut", "row"])
def test_a_copy_that_cannot_be_read_again_is_never_called_a_backup(
    crew: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    """A disk that loses what it is given."""
    written = backup_writing._write_archive

    def write_badly(*arguments: Any) -> Any:
        manifest = written(*arguments)
        archive: Path = arguments[4]
        content = bytearray(archive.read_bytes())
        if fault == "flip":
            content[len(content) // 2] ^= 0x10
        elif fault == "cut":
            del content[len(content) * 2 // 3 :]
        archive.write_bytes(bytes(content))
        if fault == "row":
            manifest.tables["splices"] = manifest.tables["imports"]
        return manifest

    monkeypatch.setattr(backup_writing, "_write_archive", write_badly)
    engine, place = open_store(crew), tmp_path / "disk"
    with pytest.raises(StoreTrouble, match="could not be read again as a whole"):
        write_backup(engine, crew, load_crew(crew), place, progress=lambda *_: None)
    engine.dispose()
    assert list(place.iterdir()) == []
    assert newest_backup(crew) is None


def test_an_unfinished_copy_of_a_killed_program_is_removed_by_the_next(
    crew: Path, arcdrift: Any
) -> None:
    place = crew / "backups"
    left = place / ".arcdrift-unfinished-999999999-abc"
    left.mkdir(parents=True)
    (left / "backup").write_bytes(b"half")
    assert backups_in(place) == []
    assert arcdrift("backup", "--crew", crew).code == 0
    assert not left.exists()
    assert len(list(place.iterdir())) == 1


def test_a_checked_store_and_checked_backups(crew: Path, arcdrift: Any, tmp_path: Path) -> None:
    sound = arcdrift("backup", "--check", "--crew", crew)
    assert (sound.code, "is sound" in sound.out) == (0, True)
    place = tmp_path / "disk"
    empty = arcdrift("backup", place, "--check", "--crew", crew)
    assert empty.code == 3
    for _ in range(2):
        arcdrift("backup", place, "--crew", crew)
    checked = arcdrift("backup", place, "--check", "--crew", crew, "--json")
    assert [one["sound"] for one in checked.data] == [True, True]
    damaged = backups_in(place)[0]
    content = bytearray(damaged.read_bytes())
    content[len(content) // 3] ^= 1
    damaged.write_bytes(bytes(content))
    done = arcdrift("backup", place, "--check", "--crew", crew)
    assert (done.code, "1 of 2 backups cannot be restored" in done.err) == (3, True)
    assert f"{damaged} cannot be restored" in " ".join(done.out.split())


def test_a_store_on_a_server_is_copied_row_by_row(
    crew: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arcdrift: Any
) -> None:
    """The same steps as for a server, read from a file here."""
    monkeypatch.setattr(
        "arcdrift.store.database.sqlite.sqlite_dialect.SqliteDialect.copy_to_file",
        lambda *_: False,
    )
    monkeypatch.setattr(store_snapshot, "_SNAPSHOT", {})
    path = tmp_path / "b.zip"
    done = arcdrift("backup", path, "--crew", crew)
    assert done.code == 0, done
    assert arcdrift("restore", path, tmp_path / "new").code == 0
    assert in_order(tmp_path / "new") == in_order(crew)


def in_order(folder: Path) -> dict[str, list[str]]:
    """All rows of a store, whichever order they are stored in."""
    return {name: sorted(map(repr, rows)) for name, rows in everything(folder).items()}


def test_an_unpacked_manifest_is_what_was_written(crew: Path, tmp_path: Path) -> None:
    engine = open_store(crew)
    made = write_backup(engine, crew, load_crew(crew), tmp_path / "b.zip", progress=lambda *_: None)
    engine.dispose()
    (tmp_path / "out").mkdir()
    assert unpack_checked(made.path, tmp_path / "out") == made.manifest
    with pytest.raises(BadInput, match="no backup of arcdrift"):
        unpack_checked(crew / "crew.toml", tmp_path / "out")


@pytest.mark.long
def test_backups_while_four_threads_write_and_read(crew: Path, tmp_path: Path) -> None:
    stop, errors = threading.Event(), []

    def write(number: int) -> None:
        engine = open_store(crew)
        try:
            while not stop.is_set():
                with writing(engine) as connection:
                    connection.exec_driver_sql(
                        f"UPDATE splices SET line = line WHERE id = {number}"  # noqa: S608
                    )
                with engine.connect() as connection:
                    connection.exec_driver_sql("SELECT count(*) FROM splices").scalar()
        except Exception as problem:
            errors.append(problem)
        finally:
            engine.dispose()

    threads = [threading.Thread(target=write, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    engine = open_store(crew)
    try:
        for number in range(5):
            write_backup(
                engine, crew, load_crew(crew), tmp_path / f"{number}.zip", progress=lambda *_: None
            )
    finally:
        stop.set()
        for thread in threads:
            thread.join()
        engine.dispose()
    assert errors == []
