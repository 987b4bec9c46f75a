"""``arcdrift restore``: never over a crew, and no file is believed before it is checked."""

import json
import os
import shutil
import sqlite3
import stat
import zipfile
from collections.abc import Callable
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from arcdrift.backup import archive_check, restoring
from arcdrift.cli.main import run
from arcdrift.store.database.upgrade import HEAD
from tests.backup.test_backup import names

Members = dict[str, bytes]


@pytest.fixture(scope="module")
def backed_up(analyzed_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A backup of the small crew; to be read only."""
    path = tmp_path_factory.mktemp("backup") / "b.zip"
    with pytest.raises(SystemExit) as done:
        run(["backup", str(path), "--crew", str(analyzed_once), "--json"])
    assert not done.value.code
    return path


def members_of(path: Path) -> Members:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def changed(backup: Path, path: Path, change: Callable[[Members, dict[str, Any]], None]) -> Path:
    """A backup that was changed by somebody who can write a manifest."""
    members = members_of(backup)
    manifest = json.loads(members.pop("manifest.json"))
    change(members, manifest)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
        archive.writestr("manifest.json", json.dumps(manifest))
    return path


def tell(members: Members, manifest: dict[str, Any], name: str, content: bytes) -> None:
    members[name] = content
    manifest["files"][name] = {"size": len(content), "sha256": sha256(content).hexdigest()}


def test_a_crew_is_never_replaced_unasked(crew: Path, backed_up: Path, arcdrift: Any) -> None:
    before = {path.name: path.read_bytes() for path in crew.iterdir() if path.is_file()}
    refused = arcdrift("restore", backed_up, crew)
    assert (refused.code, "There is a crew" in refused.sentence) == (2, True)
    assert {path.name: path.read_bytes() for path in crew.iterdir() if path.is_file()} == before


def test_with_replace_the_old_crew_is_kept_aside(
    crew: Path, backed_up: Path, arcdrift: Any
) -> None:
    (crew / "notes.txt").write_text("of a person")
    arcdrift("backup", "--crew", crew)
    old = (crew / "arcdrift.db").read_bytes()
    done = arcdrift("restore", backed_up, crew, "--replace", "--json")
    assert done.code == 0, done
    aside = Path(done.data["kept_aside"])
    assert aside.parent == crew
    assert (aside / "arcdrift.db").read_bytes() == old
    assert names(aside) == ["arcdrift.db", "arcdrift.key", "crew.toml", "layouts", "words"]
    assert (crew / "notes.txt").read_text() == "of a person"
    assert (crew / "backups").is_dir()
    assert not (crew / "layouts").exists()  # the backup has none
    assert arcdrift("findings", "--crew", crew).code == 0


def test_a_restore_that_was_killed_halfway_can_be_made_again(
    crew: Path, backed_up: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    (crew / "notes.txt").write_text("of a person")

    def killed(*_: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(restoring, "_move_in", killed)
        assert arcdrift("restore", backed_up, crew, "--replace").code == 130
    assert not (crew / "crew.toml").exists()
    (aside,) = crew.glob("before-restore-*")
    assert (aside / "arcdrift.db").exists()
    assert arcdrift("restore", backed_up, crew, "--replace").code == 0
    assert arcdrift("findings", "--crew", crew).code == 0


def test_other_files_are_no_place_for_a_crew(
    backed_up: Path, arcdrift: Any, tmp_path: Path
) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("kept")
    refused = arcdrift("restore", backed_up, tmp_path / "full", "--replace")
    assert (refused.code, "other files" in refused.sentence) == (2, True)
    (tmp_path / "empty").mkdir()
    assert arcdrift("restore", backed_up, tmp_path / "empty").code == 0
    file = arcdrift("restore", backed_up, tmp_path / "full" / "letter.txt")
    assert (file.code, "is a file" in file.sentence) == (2, True)


def test_a_store_that_is_being_written_is_not_put_aside(
    crew: Path, backed_up: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    with closing(sqlite3.connect(crew / "arcdrift.db", isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")
        refused = arcdrift("restore", backed_up, crew, "--replace")
    assert (refused.code, "Another program is writing" in refused.sentence) == (4, True)
    assert (crew / "crew.toml").exists()
    assert not [path for path in crew.iterdir() if path.name.startswith("before-")]


def _newer_store(_members: Members, manifest: dict[str, Any]) -> None:
    manifest["store_version"] = "9999"


def _newer_format(_members: Members, manifest: dict[str, Any]) -> None:
    manifest["format"] = 2


def _newer_setting(members: Members, manifest: dict[str, Any]) -> None:
    tell(members, manifest, "crew.toml", members["crew.toml"] + b"\n[of_the_future]\n")


def _outside(members: Members, manifest: dict[str, Any]) -> None:
    tell(members, manifest, "../outside.toml", b"x")


def _absolute(members: Members, manifest: dict[str, Any]) -> None:
    tell(members, manifest, "/layouts/a.toml", b"x")


def _deeper(members: Members, manifest: dict[str, Any]) -> None:
    tell(members, manifest, "layouts/../../a.toml", b"x")


def _program(members: Members, manifest: dict[str, Any]) -> None:
    tell(members, manifest, "layouts/run.py", b"x")


def _key(members: Members, manifest: dict[str, Any]) -> None:
    tell(members, manifest, "arcdrift.key", b"00" * 32)


def _unsaid(members: Members, _manifest: dict[str, Any]) -> None:
    members["layouts/a.toml"] = b"x"


def _missing(members: Members, _manifest: dict[str, Any]) -> None:
    del members["arcdrift.db"]


def _other_settings(members: Members, _manifest: dict[str, Any]) -> None:
    members["crew.toml"] = members["crew.toml"].replace(b"Oslo", b"Rome")


def _fewer_rows(_members: Members, manifest: dict[str, Any]) -> None:
    manifest["tables"]["splices"]["rows"] -= 1


def _damaged_store(members: Members, manifest: dict[str, Any]) -> None:
    content = bytearray(members["arcdrift.db"])
    content[4096:12288] = b"\xff" * 8192
    tell(members, manifest, "arcdrift.db", bytes(content))


def _no_store(members: Members, manifest: dict[str, Any]) -> None:
    tell(members, manifest, "arcdrift.db", b"hello" * 1000)


def _list(_members: Members, manifest: dict[str, Any]) -> None:
    manifest["files"] = []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_newer_store, "newer arcdrift"),
        (_newer_format, "newer arcdrift"),
        (_newer_setting, "crew.toml"),
        (_outside, "which no backup does"),
        (_absolute, "which no backup does"),
        (_deeper, "which no backup does"),
        (_program, "which no backup does"),
        (_key, "which no backup does"),
        (_unsaid, "does not hold the files"),
        (_missing, "does not hold the files"),
        (_other_settings, "is damaged"),
        (_fewer_rows, "splices"),
        (_damaged_store, "The store in changed.zip is damaged ("),
        (_no_store, "The store in changed.zip is damaged (file is not a database)"),
        (_list, "no backup of arcdrift"),
    ],
    ids=lambda part: part.__name__ if callable(part) else "",
)
def test_a_backup_that_is_not_what_it_says_is_refused(
    backed_up: Path, tmp_path: Path, arcdrift: Any, change: Any, words: str
) -> None:
    place = tmp_path / "place"
    place.mkdir()
    path = changed(backed_up, tmp_path / "changed.zip", change)
    refused = arcdrift("restore", path, place / "crew")
    assert refused.code == 3, refused
    assert words in refused.sentence
    assert ".arcdrift-unfinished" not in refused.sentence
    assert list(place.iterdir()) == []
    assert names(tmp_path) == ["changed.zip", "place"]


def test_links_and_members_of_the_same_name_are_refused(
    backed_up: Path, tmp_path: Path, arcdrift: Any
) -> None:
    link = tmp_path / "link.zip"
    shutil.copy(backed_up, link)
    with zipfile.ZipFile(link, "a") as archive:
        member = zipfile.ZipInfo("layouts/link.toml")
        member.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(member, "/etc/passwd")
    assert "which no backup does" in arcdrift("restore", link, tmp_path / "c").sentence
    double = tmp_path / "double.zip"
    shutil.copy(backed_up, double)
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(double, "a") as archive:
        archive.writestr("crew.toml", "name = 'Other'")
    assert "which no backup does" in arcdrift("restore", double, tmp_path / "c").sentence
    assert not (tmp_path / "c").exists()


def test_a_backup_that_would_fill_the_disk_is_refused_before_it_is_unpacked(
    backed_up: Path, tmp_path: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = shutil.disk_usage(tmp_path)._replace(free=(16 << 20) + 1000)
    monkeypatch.setattr(archive_check.shutil, "disk_usage", lambda _: full)
    refused = arcdrift("restore", backed_up, tmp_path / "place" / "crew")
    assert (refused.code, "more than there is room for" in refused.sentence) == (3, True)
    bomb = changed(backed_up, tmp_path / "bomb.zip", _bomb)
    refused = arcdrift("restore", bomb, tmp_path / "place" / "crew")
    assert (refused.code, "settings of" in refused.sentence) == (3, True)
    assert not (tmp_path / "place" / "crew").exists()


def _bomb(members: Members, manifest: dict[str, Any]) -> None:
    tell(members, manifest, "layouts/bomb.toml", b"#" * (20 << 20))


def test_a_backup_that_was_cut_short_or_flipped_is_refused(
    backed_up: Path, tmp_path: Path, arcdrift: Any
) -> None:
    content = backed_up.read_bytes()
    for damaged in (b"", content[:100], content[:-300], b"PK\x03\x04" + bytes(3000)):
        path = tmp_path / "damaged.zip"
        path.write_bytes(damaged)
        refused = arcdrift("restore", path, tmp_path / "place" / "crew")
        assert refused.code == 3, refused
        assert not (tmp_path / "place" / "crew").exists()
    assert arcdrift("restore", tmp_path / "absent.zip", tmp_path / "c").code == 3


def test_an_older_backup_is_brought_up_to_date(
    backed_up: Path, tmp_path: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its store as the first version of the tables made it."""
    from alembic import command
    from alembic.config import Config
    from sqlalchemy import create_engine

    from arcdrift.backup.table_digests import table_digests
    from arcdrift.store.database.upgrade import MIGRATIONS

    old = tmp_path / "old.db"
    engine = create_engine(f"sqlite:///{old}")
    with engine.begin() as connection:
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()

    def make_old(members: Members, manifest: dict[str, Any]) -> None:
        tell(members, manifest, "arcdrift.db", old.read_bytes())
        with closing(sqlite3.connect(old)) as connection:
            manifest["tables"] = {
                name: {"rows": table.rows, "sha256": table.sha256}
                for name, table in table_digests(connection).items()
            }
        manifest["store_version"] = "0001"

    path = changed(backed_up, tmp_path / "old.zip", make_old)
    done = arcdrift("restore", path, tmp_path / "crew", "--json")
    assert (done.code, done.data["upgraded"]) == (0, True), done
    with closing(sqlite3.connect(tmp_path / "crew" / "arcdrift.db")) as connection:
        version = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    assert version == (HEAD,)
    assert arcdrift("imports", "--crew", tmp_path / "crew").code == 0


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_a_crew_whose_records_were_on_a_server_is_restored_to_a_file(
    backed_up: Path, tmp_path: Path, arcdrift: Any
) -> None:
    def on_server(members: Members, manifest: dict[str, Any]) -> None:
        text = b'store = "postgresql://lead@db/north"\n' + members["crew.toml"]
        tell(members, manifest, "crew.toml", text)

    path = changed(backed_up, tmp_path / "b.zip", on_server)
    done = arcdrift("restore", path, tmp_path / "crew")
    assert (done.code, "The records were on a server" in done.out) == (0, True)
    assert "postgresql" not in (tmp_path / "crew" / "crew.toml").read_text("utf-8")
    assert arcdrift("findings", "--crew", tmp_path / "crew").code == 0
