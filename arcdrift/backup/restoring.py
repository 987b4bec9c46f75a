"""Restores a crew folder from a backup.

The backup is unpacked and checked apart, and brought up to date there; only then does the folder
get its files. A folder that is new gets all of them at once.
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from arcdrift.backup.archive_check import SETTINGS_FOLDERS, unpack_checked
from arcdrift.backup.manifest import Manifest
from arcdrift.backup.table_digests import CountRows
from arcdrift.backup.working_folder import UNFINISHED, flush_file, flush_folder, working_folder
from arcdrift.errors import ArcdriftError, BadInput, StoreTrouble, UsageError
from arcdrift.settings import CREW_FILE, STORE_FILE, load_crew
from arcdrift.settings_file import save_store
from arcdrift.store.database.connect import open_store
from arcdrift.store.database.dialects import dialect_of
from arcdrift.store.database.upgrade import HEAD

ASIDE = "before-restore"
"""How the name of a folder begins that keeps what a restore replaced."""
_STORE_FILES = tuple(f"{STORE_FILE}{end}" for end in ("", "-wal", "-shm", "-journal"))
_CREW_FILES = (CREW_FILE, *_STORE_FILES, "arcdrift.key", *SETTINGS_FOLDERS)
"""What makes up a crew; other files of its folder stay where they are."""


@dataclass(frozen=True)
class Restored:
    """A crew that was restored.

    Attributes
    ----------
    folder : Path
    manifest : Manifest
        Of the backup, whose counts and digests the store had before it was brought up to date.
    is_upgraded : bool
        Whether the store was of an older version.
    had_server : bool
        Whether the crew's records were on a server; they are in a file now.
    aside : Path or None
        Folder with what was replaced.
    """

    folder: Path
    manifest: Manifest
    is_upgraded: bool
    had_server: bool
    aside: Path | None


def restore_backup(
    path: Path, folder: Path, *, replace: bool = False, progress: CountRows | None = None
) -> Restored:
    """Restore a backup into a new or an empty folder, or in place of the crew that is in one.

    Parameters
    ----------
    replace : bool
        Whether a crew in the folder may be replaced; its files are kept in a folder inside it.

    Raises
    ------
    UsageError
        When there is something in the folder and `replace` is not given.
    BadInput
        When the backup is damaged, is none, or is of a newer arcdrift.
    StoreTrouble
        When the folder cannot be written, or its store is in use.
    """
    is_new = _require_place(folder, replace)
    with _writing_errors(folder):
        if is_new:
            folder.parent.mkdir(parents=True, exist_ok=True)
        with working_folder(folder.parent if is_new else folder) as scratch:
            crew = scratch / "crew"
            crew.mkdir()
            manifest = unpack_checked(path, crew, progress)
            had_server = _bring_up_to_date(crew, manifest, path.name)
            aside = None
            if is_new:
                crew.rename(folder)
            else:
                aside = _put_aside(folder)
                _move_in(crew, folder)
            flush_folder(folder)
            flush_folder(folder.parent)
    return Restored(folder, manifest, manifest.store_version != HEAD, had_server, aside)


def _require_place(folder: Path, replace: bool) -> bool:
    """Check that a backup may be restored here; return whether the folder is new."""
    if not folder.exists():
        if folder.is_symlink():
            raise UsageError(f"{folder} is a link that leads nowhere; give another folder.")
        return True
    if not folder.is_dir():
        raise UsageError(f"{folder} is a file; give a folder to restore into.")
    holds_crew = any((folder / name).exists() for name in _CREW_FILES)
    if holds_crew and not replace:
        raise UsageError(
            f"There is a crew in {folder} already; restore into a new folder, or give --replace, "
            "which keeps the old files in a folder inside it."
        )
    # of a restore that was killed there may be a crew aside and none in its place
    was_crew = replace and any(folder.glob(f"{ASIDE}-*"))
    if not (holds_crew or was_crew) and any(True for path in folder.iterdir() if _is_of_use(path)):
        raise UsageError(f"There are other files in {folder}; restore into a new folder.")
    return False


def _is_of_use(path: Path) -> bool:
    return not path.name.startswith((UNFINISHED, "lost+found"))


@contextmanager
def _writing_errors(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        reason = (problem.strerror or str(problem)).lower()
        raise StoreTrouble(
            f"The backup cannot be restored to {folder}: {reason}; see to its permissions and that "
            "its disk has room, then try again."
        ) from problem


def _bring_up_to_date(crew: Path, manifest: Manifest, name: str) -> bool:
    """Make an unpacked crew usable by this arcdrift; return whether its records were on a server.

    Raises
    ------
    BadInput
        When it is of a newer arcdrift, or its settings cannot be read.
    """
    if manifest.store_version > HEAD:
        raise BadInput(
            f"{name} was made by a newer arcdrift ({manifest.arcdrift}, its store has the version "
            f"{manifest.store_version}, this one knows up to {HEAD}); update arcdrift, then "
            "restore it."
        )
    try:
        had_server = load_crew(crew).store is not None
        if had_server:
            save_store(crew, None)
        engine = open_store(crew)
        try:
            dialect_of(engine).prepare(engine)
        finally:
            engine.dispose()
    except ArcdriftError as problem:
        # the person never saw the folder that it was unpacked in
        words = str(problem).replace(f"{crew}{os.sep}", f"{name}/").replace(str(crew), name)
        raise BadInput(f"The crew in {name} cannot be used: {words}") from problem
    flush_file(crew / STORE_FILE)
    return had_server


def _put_aside(folder: Path) -> Path | None:
    """Move the files of a crew into a folder inside its own."""
    present = [name for name in _CREW_FILES if (folder / name).exists()]
    if not present:
        return None
    _require_unused(folder / STORE_FILE)
    stamp = f"{ASIDE}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    aside, number = folder / stamp, 1
    while aside.exists():
        number += 1
        aside = folder / f"{stamp}-{number}"
    aside.mkdir(mode=0o700)
    moved = []
    try:
        for name in present:  # crew.toml first: without it no command uses the rest
            (folder / name).rename(aside / name)
            moved.append(name)
    except OSError:
        for name in reversed(moved):
            (aside / name).rename(folder / name)
        aside.rmdir()
        raise
    return aside


def _require_unused(path: Path) -> None:
    """Check that no other program is writing to a store that will be put aside."""
    if not path.is_file() or path.stat().st_size == 0:
        return
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=2.0)
        try:
            connection.isolation_level = None
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("ROLLBACK")
        finally:
            connection.close()
    except sqlite3.Error as problem:
        if "locked" in str(problem):
            raise StoreTrouble(
                f"Another program is writing to {path}; end it or wait for it, then restore."
            ) from None
        # damaged, or not writable: the reason to restore


def _move_in(crew: Path, folder: Path) -> None:
    """Move the files of an unpacked crew into its folder, crew.toml last."""
    names = sorted(path.name for path in crew.iterdir())
    for name in sorted(names, key=lambda name: name == CREW_FILE):
        (crew / name).rename(folder / name)
