"""A damaged store file: told in a sentence with the next step, and nothing is overwritten."""

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from arcdrift.errors import StoreDamaged, StoreTrouble
from arcdrift.store.database.connect import open_store, snapshot, writing
from arcdrift.store.database.sqlite import damage
from arcdrift.store.database.sqlite.write_ahead_log import log_of, lost_commits
from arcdrift.store.imports.import_list import add_import, read_imports
from tests.empty_store import copy_empty_store
from tests.stored_rows import import_values

TRANSACTIONS = 30


@pytest.fixture(scope="module")
def logged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file whose 30 transactions are in its log alone, as a killed program leaves it."""
    folder = tmp_path_factory.mktemp("logged")
    path = folder / "written.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as writer:
        writer.execute("PRAGMA journal_mode=WAL")
        writer.execute("PRAGMA wal_autocheckpoint=0")
        writer.execute("CREATE TABLE t (n INTEGER, filling TEXT)")
        for number in range(TRANSACTIONS):
            writer.execute("BEGIN")
            rows = [(number, "y" * 300)] * 40
            writer.executemany("INSERT INTO t VALUES (?, ?)", rows)
            writer.execute("COMMIT")
        for end in ("", "-wal"):
            shutil.copy(f"{path}{end}", folder / f"arcdrift.db{end}")
    return folder / "arcdrift.db"


def with_log(logged: Path, folder: Path, content: bytes) -> Path:
    path = folder / "arcdrift.db"
    shutil.copy(logged, path)
    log_of(path).write_bytes(content)
    return path


def kept_by_sqlite(path: Path) -> int:
    """Transactions that SQLite finds."""
    with closing(sqlite3.connect(path)) as connection:
        try:
            return int(connection.execute("SELECT count(*) / 40 FROM t").fetchone()[0])
        except sqlite3.OperationalError:
            return 0


def test_a_log_that_a_killed_program_left_is_sound(logged: Path, tmp_path: Path) -> None:
    content = log_of(logged).read_bytes()
    assert lost_commits(logged) == 0
    for length in (0, 10, 32, len(content) // 2, len(content) - 50):  # ended while it wrote
        path = with_log(logged, tmp_path, content[:length])
        assert lost_commits(path) == 0


@pytest.mark.parametrize("part", ["magic", "salt", "frame", "page", "anywhere"])
def test_flipped_bytes_in_the_log_are_noticed_where_sqlite_would_drop_changes(
    logged: Path, tmp_path: Path, part: str
) -> None:
    content = bytearray(log_of(logged).read_bytes())
    rng = random.Random(part)  # noqa: S311 - no secret
    frame = 24 + 4096
    at = {
        "magic": 1,
        "salt": 17,
        "frame": 32 + 9 * frame + 9,
        "page": 32 + 20 * frame + 2000,
        "anywhere": rng.randrange(len(content) // 2),
    }[part]
    content[at] ^= 0x41
    path = with_log(logged, tmp_path, bytes(content))
    lost = lost_commits(path)
    assert lost > 0
    with pytest.raises(StoreDamaged, match="damaged write-ahead log"):
        open_store(tmp_path)
    assert log_of(path).read_bytes() == bytes(content)
    # after the frame itself, which may be the end of a transaction, all that was told is lost
    if part not in ("magic", "salt"):
        assert TRANSACTIONS - kept_by_sqlite(path) in (lost, lost + 1)


def test_a_log_that_is_reused_is_sound(tmp_path: Path) -> None:
    """Behind the frames of a new round lie those of the one before."""
    path = tmp_path / "arcdrift.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as writer:
        writer.execute("PRAGMA journal_mode=WAL")
        writer.execute("CREATE TABLE t (filling TEXT)")
        for _ in range(3):
            writer.execute("INSERT INTO t SELECT hex(zeroblob(20000))")
            writer.execute("PRAGMA wal_checkpoint(RESTART)")
        writer.execute("INSERT INTO t VALUES ('short')")
        assert lost_commits(path) == 0
        # rows that went to the log before they were taken back, and a change over them
        writer.execute("PRAGMA cache_size=2")
        writer.execute("BEGIN")
        writer.execute("INSERT INTO t SELECT hex(randomblob(90000))")
        writer.execute("ROLLBACK")
        writer.execute("INSERT INTO t VALUES ('after')")
        assert lost_commits(path) == 0


def test_an_empty_file_is_not_taken_for_a_new_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(damage, "_CREATION_S", 0.1)
    path = tmp_path / "arcdrift.db"
    path.touch()
    log_of(path).write_bytes(b"changes")
    with pytest.raises(StoreDamaged) as caught:
        open_store(tmp_path)
    assert str(caught.value) == (
        f"The store {path} is damaged: the file is empty, and no backup of it was found in "
        f"{tmp_path / 'backups'}; copy the folder, then see what can be saved (README, A damaged "
        "store). If nothing was ever imported here, delete arcdrift.db instead."
    )
    assert path.stat().st_size == 0
    assert log_of(path).read_bytes() == b"changes"
    path.unlink()
    with pytest.raises(StoreDamaged, match="is gone, though its write-ahead log"):
        open_store(tmp_path)
    assert log_of(path).exists()


def test_damage_that_only_a_full_check_finds(tmp_path: Path) -> None:
    copy_empty_store(tmp_path)
    path = tmp_path / "arcdrift.db"
    engine = open_store(tmp_path)
    assert damage.full_damage(engine) == []
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(
            "INSERT INTO splices (splicer, spliced_at, outcome, purpose, import_id, line) "
            "VALUES ('Heron', 0, 'ok', 'work', 77, 1)"
        )
    (found,) = damage.full_damage(engine)
    assert found == "row 1 of splices refers to no row of imports"
    content = bytearray(path.read_bytes())
    content[-2 * 4096 :] = random.Random(1).randbytes(2 * 4096)  # noqa: S311 - no secret
    path.write_bytes(bytes(content))
    assert damage.full_damage(engine)
    assert damage.is_damaged(engine)
    engine.dispose()


def test_other_trouble_is_not_called_damage(tmp_path: Path) -> None:
    (tmp_path / "arcdrift.db").mkdir()
    with pytest.raises(StoreTrouble) as caught:
        open_store(tmp_path)
    assert not isinstance(caught.value, StoreDamaged)


def test_text_that_is_none_is_damage(tmp_path: Path) -> None:
    """SQLite's own check takes any bytes for a text; a page that was overwritten may hold such."""
    engine = open_store(tmp_path)
    with writing(engine) as connection:
        add_import(connection, import_values(file_name="week.csv"))
    assert damage.full_damage(engine) == []
    path = tmp_path / "arcdrift.db"
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE imports SET file_name = CAST(x'ff8877' AS TEXT)")
        raw.commit()
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    (found,) = damage.full_damage(engine)
    assert "file_name" in found
    with pytest.raises(StoreDamaged), snapshot(engine):  # which reads row by row
        read_imports(engine)
