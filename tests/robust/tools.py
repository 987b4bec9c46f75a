"""Logs to import, the program as a process, and all that a store holds."""

import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from arcdrift.store import schema
from arcdrift.store.database.connect import open_store, reading

CREW = 'name = "Invented crew"\ninvented = true\ntime_zone = "Europe/Oslo"\n'
PROGRAM = [sys.executable, "-c", "from arcdrift.cli.main import run; run()"]
MANY_CHUNKS = [
    sys.executable,
    "-c",
    "from arcdrift.intake.containers import files\n"
    "from arcdrift.intake.storing import staging\n"
    "from arcdrift.intake.text import chunks\n"
    "files.MEMORY_BYTES = chunks.WHOLE_BYTES = 0\n"
    "chunks.CHUNK_BYTES, staging.BUCKET_ROWS = 40_000, 1_500\n"
    "from arcdrift.cli.main import run; run()",
]
"""The program, reading every file in small chunks as it reads a large one."""
LONG = "ARCDRIFT_LONG"


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Make a folder and all in it read-only; skip the test where that is not possible."""
    if os.geteuid() != 0:
        modes = {path: path.stat().st_mode for path in (folder, *folder.rglob("*"))}
        for path, mode in modes.items():
            path.chmod(mode & ~0o222)
        try:
            yield
        finally:
            for path, mode in modes.items():
                path.chmod(mode)
        return
    # permissions do not hold back this user: a mount that is read-only does
    mount = ["mount", "--bind", str(folder), str(folder)]
    for words in (mount, ["mount", "-o", "remount,bind,ro", str(folder)]):
        if subprocess.run(words, capture_output=True, check=False).returncode:
            pytest.skip("this user may write everywhere and may not mount")
    inside = Path.cwd()
    os.chdir(inside)  # what was the current folder is now hidden below the mount
    try:
        yield
    finally:
        os.chdir("/")
        # lazily: SQLite may keep a file open for as long as a writer in this process does
        subprocess.run(["umount", "--lazy", str(folder)], check=True)
        os.chdir(inside)


Start = Callable[..., "subprocess.Popen[str]"]
Run = Callable[..., "subprocess.CompletedProcess[str]"]


def long_run() -> bool:
    """Whether the long versions of these tests are asked for: set ARCDRIFT_LONG=1."""
    return os.environ.get(LONG) == "1"


def write_log(path: Path, rows: int, seed: int = 1, splicer: str = "Heron") -> None:
    """Write an invented splice log: one in fifty rows is broken, some contradict others."""
    rng = random.Random(seed)  # noqa: S311 - no secret
    with path.open("w", encoding="utf-8") as file:
        file.write("splicer,spliced_at,loss_db,remark\n")
        for n in range(rows):
            day, minute = divmod(n, 900)
            at = f"2025-03-{day % 28 + 1:02d} {minute // 60 + 6:02d}:{minute % 60:02d}:{n % 59:02d}"
            loss = "lots" if n % 50 == 7 else f"{rng.random() / 10:.3f}"
            file.write(f"{splicer}{day // 28},{at},{loss},tray {n}\n")


def everything(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """All rows of a store but those that say when."""
    engine = open_store(folder)
    apart = {"started_at", "judged_at", "seconds"}
    held = {}
    with reading(engine) as connection:
        for table in (*schema.metadata.sorted_tables, *schema.RESULTS.values()):
            if table.name in ("imports_in_progress", "watched", "changed_days"):
                continue
            columns = [column for column in table.columns if column.name not in apart]
            rows = connection.execute(table.select().with_only_columns(*columns))
            held[table.name] = [tuple(row) for row in rows]
        assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
    engine.dispose()
    return held
