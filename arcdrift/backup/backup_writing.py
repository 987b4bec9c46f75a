"""Writes a backup: the store and the settings of a crew in one file.

It is written in a folder that is no backup's, opened again and checked, and only then gets its
name; so that a copy that cannot be read is never called a backup, and a full disk or a killed
program leaves earlier backups as they were.
"""

import os
import shutil
import sqlite3
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

from sqlalchemy import Engine

from arcdrift import __version__
from arcdrift.backup.archive_check import SETTINGS_FOLDERS, unpack_checked
from arcdrift.backup.manifest import FileDigest, Manifest
from arcdrift.backup.store_snapshot import Progress, copy_store
from arcdrift.backup.table_digests import read_only_connection, table_digests
from arcdrift.backup.working_folder import flush_folder, working_folder
from arcdrift.backup_files import (
    MANIFEST,
    backup_name,
    backups_in,
    manifest_of,
    remember_place,
)
from arcdrift.errors import BadInput, StoreTrouble, UsageError
from arcdrift.settings import CREW_FILE, STORE_FILE, Crew
from arcdrift.store.database.connect import place
from arcdrift.store.database.soundness import require_sound

_BLOCK = 1 << 20
KEY_LEFT_OUT = (
    "The key that signs sign-ins (arcdrift.key) and all sign-ins: after a restore everybody signs "
    "in again."
)
LOG_LEFT_OUT = "Logs, exported rows and other files of the folder."


@dataclass(frozen=True)
class Backup:
    """A backup that was written, read again and found complete.

    Attributes
    ----------
    path : Path
    manifest : Manifest
    size : int
        Bytes of the file.
    removed : tuple of Path
        Older backups that were removed.
    """

    path: Path
    manifest: Manifest
    size: int
    removed: tuple[Path, ...] = ()


def write_backup(
    engine: Engine,
    folder: Path,
    crew: Crew,
    target: Path,
    *,
    keep: int | None = None,
    progress: Progress,
) -> Backup:
    """Back up a crew.

    Parameters
    ----------
    folder : Path
        The crew folder.
    target : Path
        A file that does not exist, its name ending in ``.zip``, or a folder, which is made.
    keep : int, optional
        Number of backups of this crew, the new one included, that stay in the folder.

    Raises
    ------
    UsageError
        When the target cannot be one.
    StoreTrouble
        When the store cannot be read, or there is no room; no backup is then there.
    """
    made_at = datetime.now(UTC)
    is_file = target.suffix.lower() == ".zip" and not target.is_dir()
    if is_file and keep is not None:
        raise UsageError("--keep counts the backups in a folder; give a folder, not a file.")
    if is_file and target.exists():
        raise UsageError(f"{target} exists already, and no backup is overwritten; name another.")
    if not is_file and target.exists() and not target.is_dir():
        raise UsageError(f"{target} is neither a folder nor a name that ends in .zip.")
    where = target.parent if is_file else target
    with _writing_errors(where):
        where.mkdir(parents=True, exist_ok=True)
        with working_folder(where) as scratch:
            archive = scratch / "backup"
            manifest = _write_archive(engine, folder, crew, scratch, archive, made_at, progress)
            _read_again(engine, archive, scratch, manifest, progress)
            path = _give_name(archive, target if is_file else None, where, crew, made_at)
            flush_folder(where)
    remember_place(folder, where)
    removed = () if keep is None else _remove_older(where, path, crew.name, keep)
    return Backup(path, manifest, path.stat().st_size, removed)


@contextmanager
def _writing_errors(where: Path) -> Iterator[None]:
    """Turn an error of a disk that takes a backup into a sentence."""
    try:
        yield
    except OSError as problem:
        reason = (problem.strerror or str(problem)).lower()
        raise StoreTrouble(
            f"The backup cannot be written to {where}: {reason}; make room there or choose another "
            "place. Backups made before stand."
        ) from problem
    except sqlite3.Error as problem:
        raise StoreTrouble(
            f"The backup cannot be written to {where}: {problem}; make room there or choose "
            "another place. Backups made before stand."
        ) from problem


def _write_archive(
    engine: Engine,
    folder: Path,
    crew: Crew,
    scratch: Path,
    path: Path,
    made_at: datetime,
    progress: Progress,
) -> Manifest:
    """Write all of a crew into an archive; return its manifest."""
    part = scratch / "store"
    part.mkdir()
    snapshot = copy_store(engine, part, progress)
    rows = 0

    def count(read: int) -> None:
        nonlocal rows
        rows += read
        progress("Counting", rows, rows)

    try:
        with closing(read_only_connection(snapshot)) as connection:
            tables = table_digests(connection, count)
            version = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.DatabaseError as problem:
        require_sound(engine, problem)
        raise
    files: dict[str, FileDigest] = {}
    handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR | getattr(os, "O_BINARY", 0), 0o600)
    with os.fdopen(handle, "w+b") as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            sources = {CREW_FILE: folder / CREW_FILE, **_settings(folder), STORE_FILE: snapshot}
            for member, source in sources.items():
                files[member] = _add(archive, source, member)
            manifest = Manifest(
                __version__,
                str(version[0]),
                crew.name,
                made_at.isoformat(timespec="microseconds"),
                tables,
                files,
                (KEY_LEFT_OUT, LOG_LEFT_OUT),
            )
            archive.writestr(MANIFEST, manifest.to_json())
        file.flush()
        os.fsync(file.fileno())
    shutil.rmtree(part)
    return manifest


def _settings(folder: Path) -> dict[str, Path]:
    """TOML files of a crew folder, but crew.toml, by their names in a backup."""
    return {
        f"{name}/{path.name}": path
        for name in SETTINGS_FOLDERS
        for path in sorted((folder / name).glob("*.toml"))
        if path.is_file()
    }


def _add(archive: zipfile.ZipFile, source: Path, member: str) -> FileDigest:
    digest, size = sha256(), 0
    try:
        opened = source.open("rb")
    except OSError as problem:
        reason = (problem.strerror or str(problem)).lower()
        raise BadInput(f"{source} cannot be read: {reason}; no backup was made.") from problem
    with opened as file, archive.open(member, "w", force_zip64=True) as target:
        while block := file.read(_BLOCK):
            digest.update(block)
            target.write(block)
            size += len(block)
    return FileDigest(size, digest.hexdigest())


def _read_again(
    engine: Engine, archive: Path, scratch: Path, manifest: Manifest, progress: Progress
) -> None:
    """Check that what was written can be restored."""
    unpacked = scratch / "unpacked"
    unpacked.mkdir()
    rows = 0

    def count(read: int) -> None:
        nonlocal rows
        rows += read
        progress("Reading again", rows, manifest.rows)

    try:
        if unpack_checked(archive, unpacked, count) == manifest:
            return
        reason = "it says something else of itself"
    except BadInput as problem:
        require_sound(engine, problem)
        reason = str(problem).rstrip(".")
    raise StoreTrouble(
        f"The copy of {place(engine)} was written, but could not be read again as a whole "
        f"({reason}), so it was not kept. Try again; if it stays so, choose another disk."
    )


def _give_name(
    archive: Path, target: Path | None, where: Path, crew: Crew, made_at: datetime
) -> Path:
    """Give a checked archive the name of a backup that no other file has."""
    number = 1
    while True:
        path = target or where / backup_name(crew.name, made_at, number)
        try:
            _rename_to_new(archive, path)
        except FileExistsError:
            if target is not None:
                raise
            number += 1
        else:
            return path


def _rename_to_new(archive: Path, path: Path) -> None:
    try:
        os.link(archive, path)  # unlike a renaming, never replaces a file
    except FileExistsError:
        raise
    except OSError:  # a disk without links, such as a memory stick
        if path.exists():
            raise FileExistsError(17, "a file of this name exists", str(path)) from None
        archive.rename(path)


def _remove_older(where: Path, newest: Path, crew: str, keep: int) -> tuple[Path, ...]:
    """Remove all but the newest backups of a crew; files that cannot be read are no backups."""
    others = []
    for path in backups_in(where):
        manifest = None if path == newest else manifest_of(path)
        if manifest is not None and manifest.get("crew") == crew:
            others.append((manifest["made_at"], path))
    removed = []
    for _, path in sorted(others, reverse=True)[keep - 1 :]:
        try:
            path.unlink()
        except OSError:
            continue  # it stays one more time
        removed.append(path)
    return tuple(removed)
