"""A damaged store file: every command says so, with the backup to restore; nothing is changed."""

import random
from pathlib import Path
from typing import Any

import pytest

from arcdrift.backup_files import newest_backup
from arcdrift.cli.commands import serve
from arcdrift.store.database.sqlite import damage
from dashboard.app import create_app
from tests.cli.conftest import analyzed as analyzed
from tests.cli.conftest import analyzed_once as analyzed_once
from tests.cli.conftest import arcdrift as arcdrift

COMMANDS = (
    "findings",
    "checks",
    "advise Heron",
    "prep",
    "cases",
    "digest",
    "report week",
    "imports",
    "quarantine",
    "coach",
    "clock",
    "baseline",
    "log",
    "user list",
    "analyze",
    "import splices.csv",
    "backup",
    "backup --check",
    "serve",
)
PAGE = 4096


def _header(content: bytearray) -> None:
    content[0] ^= 0xFF


def _page_count(content: bytearray) -> None:
    content[16] ^= 0x0F


def _cut(content: bytearray) -> None:
    del content[len(content) // 2 :]


def _empty(content: bytearray) -> None:
    content.clear()


def _other(content: bytearray) -> None:
    content[:] = b"name,loss\nHeron,0.1\n" * 1000


def _schema(content: bytearray) -> None:
    content[100:PAGE] = random.Random(1).randbytes(PAGE - 100)  # noqa: S311 - no secret


@pytest.fixture
def with_backup(analyzed: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(damage, "_CREATION_S", 0.05)
    monkeypatch.setattr(serve, "_is_free", lambda *_: True)
    assert arcdrift("backup").code == 0
    return analyzed


@pytest.mark.parametrize(
    "harm",
    [
        _header,
        _cut,
        _empty,
        pytest.param(_page_count, marks=pytest.mark.long),
        pytest.param(_other, marks=pytest.mark.long),
        pytest.param(_schema, marks=pytest.mark.long),
    ],
)
def test_every_command_says_so_and_the_backup_that_it_names_helps(
    with_backup: Path, arcdrift: Any, harm: Any
) -> None:
    path = with_backup / "arcdrift.db"
    before = arcdrift("findings", "--json").data
    content = bytearray(path.read_bytes())
    harm(content)
    path.write_bytes(bytes(content))
    backup = newest_backup(with_backup)
    for command in COMMANDS:
        done = arcdrift(*command.split())
        assert done.code == 4, (command, done)
        assert "is damaged" in done.sentence, command
        assert f"arcdrift restore backups/{backup.name} . --replace" in done.sentence
        assert path.read_bytes() == bytes(content), command
    words = done.sentence.split("`")[1].split()[1:]
    assert arcdrift(*words).code == 0
    assert arcdrift("findings", "--json").data == before


def test_a_running_dashboard_says_so(with_backup: Path) -> None:
    client = create_app(with_backup).server.test_client()
    assert client.get("/health").status_code == 200
    path = with_backup / "arcdrift.db"
    content = bytearray(path.read_bytes())
    _cut(content)
    path.write_bytes(bytes(content))
    assert client.get("/health").status_code == 503
    answer = client.get("/csv/loss/splicers-and-programs.csv")
    text = answer.get_data(as_text=True)
    assert (answer.status_code, "is damaged" in text, "arcdrift restore" in text) == (
        500,
        True,
        True,
    )
    assert path.read_bytes() == bytes(content)


@pytest.mark.long
def test_flipped_pages_are_told_or_harmless(analyzed: Path, arcdrift: Any) -> None:
    """Wherever a page is overwritten, a command answers or says that the store is damaged."""
    path = analyzed / "arcdrift.db"
    whole = path.read_bytes()
    found = 0
    for seed in range(40):
        rng = random.Random(seed)  # noqa: S311 - no secret
        content = bytearray(whole)
        at = rng.randrange(len(content) // PAGE) * PAGE + rng.choice((0, 8, rng.randrange(PAGE)))
        some = min(rng.choice((1, 16, 400)), len(content) - at)
        content[at : at + some] = rng.randbytes(some)
        for command in ("findings", "checks", "analyze --from-scratch", "import arc-checks.csv"):
            for end in ("-wal", "-shm"):
                Path(f"{path}{end}").unlink(missing_ok=True)
            path.write_bytes(bytes(content))
            done = arcdrift(*command.split())
            assert done.code in (0, 4), (seed, at, some, command, done)
        for end in ("-wal", "-shm"):
            Path(f"{path}{end}").unlink(missing_ok=True)
        path.write_bytes(bytes(content))
        if content != whole:
            checked = arcdrift("backup", "--check")
            assert checked.code in (0, 4), checked
            backed_up = arcdrift("backup")
            assert backed_up.code == checked.code, (seed, checked, backed_up)
            found += checked.code == 4
    assert found > 10
